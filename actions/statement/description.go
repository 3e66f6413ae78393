package statement

import (
	"errors"
	"fmt"
	"html"
	"regexp"
	"strings"
)

// A Description is what an event's DESCRIPTION asks for.
type Description struct {
	SkipWindow  bool
	SkipDevices []string // as written, lower case
	Statements  []Raw    // they count only where the feed says so, and on open points
	Problems    []LineError
}

// A LineError is a fault in one line of a description.
type LineError struct {
	Line int // 1-based
	Err  *Error
}

// Error returns line, column and fault in one line.
func (e LineError) Error() string { return fmt.Sprintf("line %d, %v", e.Line, e.Err) }

// ParseDescription reads an event's DESCRIPTION, its iCalendar escapes already undone. A line that starts with the word
// skip is a skip line, "skip DEVICE" or "skip WINDOW"; one that starts with word.word = is a statement; all others are
// prose and mean nothing. Upper case in skip lines is forgiven, since phones put a capital at the start of a line. Some
// calendar programs keep descriptions as HTML: its line breaks count and its marks do not.
func ParseDescription(text string) Description {
	var d Description
	for i, line := range strings.Split(plain(text), "\n") {
		line = strings.TrimSpace(line)
		words := strings.Fields(line)
		switch {
		case len(words) == 0:
		case strings.EqualFold(words[0], "skip"):
			d.skip(i+1, line, words[1:])
		case statementLine.MatchString(line):
			d.statement(i+1, line)
		}
	}
	return d
}

func (d *Description) statement(n int, line string) {
	r, err := Parse(line)
	if e := (*Error)(nil); errors.As(err, &e) {
		d.Problems = append(d.Problems, LineError{n, e})
		return
	}
	d.Statements = append(d.Statements, r)
}

func (d *Description) skip(n int, line string, what []string) {
	if len(what) != 1 {
		e := &Error{Text: line, Col: 1, What: "write skip WINDOW or skip DEVICE, one device a line"}
		d.Problems = append(d.Problems, LineError{n, e})
		return
	}
	if name := strings.ToLower(strings.TrimRight(what[0], ".,;!")); name == "window" {
		d.SkipWindow = true
	} else {
		d.SkipDevices = append(d.SkipDevices, name)
	}
}

var (
	statementLine = regexp.MustCompile(`^[\p{L}\p{N}_-]+\.[\p{L}\p{N}_-]+\s*=`)
	htmlBreak     = regexp.MustCompile(`(?i)<br\s*/?>|</(p|div|li)>`)
	htmlMark      = regexp.MustCompile(`(?i)</?(p|div|li|ul|ol|b|i|u|em|strong|span|a|html|body|html-blob)(\s[^<>]*)?>`)
)

// plain turns a description that is HTML into its lines. Text without a break or a paragraph is taken as it stands, so
// that a guard's < is safe.
func plain(text string) string {
	text = strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\r", "\n")
	if !htmlBreak.MatchString(text) {
		return text
	}
	text = htmlBreak.ReplaceAllString(text, "\n")
	return html.UnescapeString(htmlMark.ReplaceAllString(text, ""))
}
