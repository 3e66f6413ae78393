package journal

import "fmt"

// LimitPages lets the file have at most n pages (never fewer than it has): a disk that is full, on any machine.
func (j *Journal) LimitPages(n int) error {
	_, err := j.w.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", n))
	return err
}

// Exec runs a statement on the writing connection.
func (j *Journal) Exec(query string) error {
	_, err := j.w.Exec(query)
	return err
}

// Part is what Write copies of a standing.
var Part = part
