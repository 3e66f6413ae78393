package feed

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"spillway/calendar"
)

// The stream of a folder is read like one calendar, and a line of it leads back to the file it came from.
func TestStreamIsRead(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"b", "a", "c"} {
		writeFile(t, filepath.Join(dir, name+".ics"), strings.TrimSpace(cal(name)))
	}
	refused := 0
	o := calendar.Options{From: start, To: start.Add(7 * 24 * time.Hour)}
	f := open(t, Spec{URL: dir}, Options{Accept: func(body []byte) error {
		_, err := calendar.Read(body, o)
		if err != nil {
			refused++
		}
		return err
	}})
	r := good(t, f)
	got, err := calendar.Read(r.Body, o)
	if err != nil || len(got.Occurrences) != 3 || len(got.Problems) != 0 {
		t.Fatalf("%d occurrences, problems %v, %v", len(got.Occurrences), got.Problems, err)
	}
	for _, occ := range got.Occurrences {
		name, line := r.Locate(occ.Line)
		if name != occ.UID+".ics" || line != 4 {
			t.Errorf("%s lies in line %d of %q", occ.UID, line, name)
		}
	}
	// What the sieve lets through and calendar.Read refuses is a failed poll, where the caller asks for it.
	writeFile(t, filepath.Join(dir, "b.ics"), "BEGIN:VCALENDAR\r\n"+cal("b2"))
	if r := bad(t, f, "ends before END:VCALENDAR"); refused != 1 || !strings.Contains(string(r.Body), "UID:b\r\n") {
		t.Errorf("refused %d times, body %q", refused, r.Body)
	}
	// An empty folder is an empty calendar.
	empty, err := calendar.Read([]byte(emptyCalendar), o)
	if err != nil || len(empty.Occurrences)+len(empty.Problems) != 0 {
		t.Errorf("empty calendar: %+v, %v", empty, err)
	}
}
