package feed

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"

	"spillway/calendar"
)

// ErrTooBig is the cause where a source is larger than MaxBody. Such a body is refused whole.
var ErrTooBig = errors.New("the body is larger than max_body")

var (
	byteOrderMark = []byte("\xef\xbb\xbf")
	beginCalendar = []byte("BEGIN:VCALENDAR")
	endCalendar   = []byte("END:VCALENDAR")
)

// emptyCalendar stands for a folder or collection with nothing in it: an empty stream would be taken for a failure.
const emptyCalendar = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Spillway//empty source//EN\r\nEND:VCALENDAR\r\n"

// How far into a body its first BEGIN:VCALENDAR, and how far from its end its last END:VCALENDAR, may lie. What programs
// write round a calendar, such as a warning before it or a comment after it, is short.
const (
	mostBefore = 64 << 10
	mostBehind = 1 << 20
)

// checkBody decides whether a body can be a whole calendar, by its ends alone (RFC 5545 3.4): a line BEGIN:VCALENDAR near
// its start, a line END:VCALENDAR near its end, and no calendar begun after that. It is a sieve for what feeds turn into
// when they fail; calendar.Read has the last word, and next to nothing that it can read is refused here. Names are
// case-insensitive. Its errors match calendar.ErrEmpty, calendar.ErrNotCalendar or calendar.ErrTruncated.
func checkBody(body []byte) error {
	body = bytes.TrimSpace(bytes.TrimPrefix(body, byteOrderMark))
	switch {
	case len(body) == 0:
		return calendar.ErrEmpty
	case body[0] == '<':
		return fmt.Errorf("it is a page in HTML or XML: %w", calendar.ErrNotCalendar)
	case body[0] == '{':
		return fmt.Errorf("it is JSON: %w", calendar.ErrNotCalendar)
	}
	for head := body[:min(len(body), mostBefore)]; ; {
		line, rest, more := cutLine(head)
		switch {
		case begins(line, beginCalendar):
			return checkEnd(body)
		case !more && len(line) > 0 && begins(beginCalendar, line):
			return calendar.ErrTruncated
		case !more:
			return notCalendar(body)
		}
		head = rest
	}
}

// notCalendar says what the body is where its first bytes tell, such as image/png.
func notCalendar(body []byte) error {
	kind := http.DetectContentType(body)
	if kind == "application/octet-stream" || strings.HasPrefix(kind, "text/") {
		return calendar.ErrNotCalendar
	}
	return fmt.Errorf("it is %s: %w", kind, calendar.ErrNotCalendar)
}

// checkEnd looks backwards, line by line, for END:VCALENDAR with no BEGIN:VCALENDAR after it.
func checkEnd(body []byte) error {
	tail := body[max(0, len(body)-mostBehind):]
	for last := true; len(tail) > 0; last = false {
		start := bytes.LastIndexAny(tail, "\r\n") + 1
		line := tail[start:]
		switch {
		case begins(line, endCalendar):
			return nil
		case begins(line, beginCalendar), last && begins(beginCalendar, line):
			return calendar.ErrTruncated // after the first line of a further calendar, or in it
		}
		tail = bytes.TrimRight(tail[:start], "\r\n")
	}
	return calendar.ErrTruncated
}

// cutLine cuts b after its first line, whatever its line ends are.
func cutLine(b []byte) (line, rest []byte, more bool) {
	i := bytes.IndexAny(b, "\r\n")
	if i < 0 {
		return b, nil, false
	}
	return b[:i], b[i+1:], true
}

// begins reports whether b begins with prefix, upper and lower case alike. For boundaries what follows is passed over: a
// calendar whose last line is END:VCALENDAR and a slip of the keyboard is not cut off.
func begins(b, prefix []byte) bool {
	return len(b) >= len(prefix) && bytes.EqualFold(b[:len(prefix)], prefix)
}

// readBody reads r to its end, or until more than most bytes have come, which is ErrTooBig. As long as what comes is
// what old holds, nothing is kept; where the whole is the same, old itself is returned with same true. Nothing is never the
// same: where there is no old body it has yet to be judged.
//
// expect is how many bytes are said to come; 0 or less where nothing is said.
func readBody(r io.Reader, old []byte, most, expect int64) (body []byte, same bool, err error) {
	buf := make([]byte, 32<<10)
	var matched int
	for {
		n, err := r.Read(buf)
		if int64(matched+n) > most {
			return nil, false, ErrTooBig
		}
		if n > len(old)-matched || !bytes.Equal(buf[:n], old[matched:matched+n]) {
			return readRest(r, old, [][]byte{old[:matched], buf[:n]}, most, min(expect, most), err)
		}
		matched += n
		switch {
		case errors.Is(err, io.EOF) && matched == len(old):
			return old, len(old) > 0, nil
		case errors.Is(err, io.EOF):
			return bytes.Clone(old[:matched]), false, nil
		case err != nil:
			return nil, false, err
		}
	}
}

// readRest reads on behind start into a slice with room for expect bytes, or some more than old has, so that a large body
// is in memory once. What is more goes into pieces that are joined in the end: a body that grows past most costs most bytes
// and no more.
func readRest(r io.Reader, old []byte, start [][]byte, most, expect int64, err error) ([]byte, bool, error) {
	const piece = 256 << 10
	room := max(expect, int64(len(old)+len(old)/8))
	if room <= 0 {
		room = piece
	}
	body := make([]byte, 0, int(min(room, most))+len(start[1])+bytes.MinRead)
	for _, p := range start {
		body = append(body, p...)
	}
	pieces, total := [][]byte{body}, int64(len(body))
	for err == nil {
		last := &pieces[len(pieces)-1]
		if len(*last) == cap(*last) {
			pieces = append(pieces, make([]byte, 0, piece))
			continue
		}
		var n int
		n, err = fill(r, (*last)[len(*last):cap(*last)])
		*last = (*last)[:len(*last)+n]
		if total += int64(n); total > most {
			return nil, false, ErrTooBig
		}
	}
	if !errors.Is(err, io.EOF) {
		return nil, false, err
	}
	body = pieces[0]
	if len(pieces) > 1 || cap(body)-len(body) > len(body)/4+bytes.MinRead {
		body = bytes.Join(pieces, nil)
	}
	return slices.Clip(body), false, nil
}

// fill reads until p is full or r has an error. Unlike io.ReadFull it keeps r's own io.ErrUnexpectedEOF, by which HTTP
// and gzip say that a body was cut off, apart from an end.
func fill(r io.Reader, p []byte) (n int, err error) {
	for n < len(p) && err == nil {
		var m int
		m, err = r.Read(p[n:])
		n += m
	}
	return n, err
}
