package meter

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"strings"

	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

// Read reads one file, whose name is for messages only. It returns its data with what is worth knowing about it, or one
// line that says why nothing of it is taken. It reads no more than the layout's MaxBytes once unpacked.
func Read(r io.Reader, name string, layout Layout) (*Series, []Note, error) {
	s, notes, err := read(r, name, layout)
	var at *lineError
	switch {
	case err == nil:
		return s, notes, nil
	case errors.As(err, &at):
		return nil, nil, fmt.Errorf("%s:%d: %w", name, at.line, at.err)
	case strings.HasPrefix(err.Error(), name+": "):
		return nil, nil, err
	}
	return nil, nil, fmt.Errorf("%s: %w", name, err)
}

func read(r io.Reader, name string, layout Layout) (*Series, []Note, error) {
	if err := layout.check(); err != nil {
		return nil, nil, fmt.Errorf("layout: %w", err)
	}
	text, err := unpack(r, layout.MaxBytes)
	if err != nil {
		return nil, nil, err
	}
	// Peek reports a stream shorter than it asks for as an error; what there is of it is enough to tell.
	head, err := text.Peek(1024)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, nil, plain(err)
	}
	if err := refuse(head); err != nil {
		return nil, nil, err
	}
	if bytes.HasPrefix(bytes.TrimLeft(head, " \t\r\n"), []byte("<")) {
		return readGreenButton(text, name, layout)
	}
	return readText(text, name, layout)
}

// unpack undoes gzip and UTF-16, both by content, and bounds the size of what comes out.
func unpack(r io.Reader, limit int64) (*bufio.Reader, error) {
	if limit <= 0 {
		limit = defaultMaxBytes
	}
	packed := bufio.NewReader(r)
	var in io.Reader = packed
	if magic, _ := packed.Peek(2); bytes.Equal(magic, []byte{0x1f, 0x8b}) {
		z, err := gzip.NewReader(packed)
		if err != nil {
			return nil, fmt.Errorf("is no whole gzip file: %w", err)
		}
		in = z
	}
	// Both sides of the transcoder are bounded: UTF-16 in, and the UTF-8 of up to one and a half times its size.
	in = transform.NewReader(&limited{r: in, left: limit, limit: limit}, unicode.BOMOverride(transform.Nop))
	return bufio.NewReaderSize(in, 64<<10), nil
}

// refuse says which well-known other kind of file this is.
func refuse(head []byte) error {
	start := bytes.ToLower(bytes.TrimLeft(head, " \t\r\n"))
	is := func(s string) bool { return bytes.HasPrefix(start, []byte(s)) }
	switch {
	case len(start) == 0:
		return errors.New("is empty")
	case is("<!doctype html"), is("<html"):
		return errors.New("is a web page: download the data itself, as CSV or Green Button XML")
	case is("pk\x03\x04"):
		return errors.New("is a zip archive or a spreadsheet: unpack it, or save it as CSV")
	case is("{"), is("["):
		return errors.New("is JSON: meter files are CSV or Green Button XML")
	case is("%pdf"):
		return errors.New("is a PDF: meter files are CSV or Green Button XML")
	case is("100,nem12"), is("200,"):
		return errors.New("is a NEM12 file, which is not read: export it as CSV with one interval a row")
	case bytes.IndexByte(head, 0) >= 0:
		return errors.New("is no text: meter files are CSV or Green Button XML")
	}
	return nil
}

// limited fails once more than its limit has been read, where io.LimitedReader would pass a cut file off as whole.
type limited struct {
	r           io.Reader
	left, limit int64
}

func (l *limited) Read(p []byte) (int, error) {
	if l.left <= 0 {
		var one [1]byte
		if n, err := l.r.Read(one[:]); n == 0 {
			return 0, err
		}
		return 0, tooLarge(l.limit)
	}
	n, err := l.r.Read(p[:min(int64(len(p)), l.left)])
	l.left -= int64(n)
	return n, err
}

type tooLarge int64

func (t tooLarge) Error() string {
	return fmt.Sprintf("is larger than %d MiB: split it, or keep the rows that matter", (int64(t)+1<<20-1)>>20)
}

// plain shortens what the unpacking may fail with.
func plain(err error) error {
	var large tooLarge
	switch {
	case errors.As(err, &large):
		return large
	case errors.Is(err, io.ErrUnexpectedEOF):
		return errors.New("is cut off: fetch it again")
	case errors.Is(err, gzip.ErrChecksum), errors.Is(err, gzip.ErrHeader):
		return fmt.Errorf("is no whole gzip file: %w", err)
	}
	return err
}

// A lineError belongs to a line of the file.
type lineError struct {
	line int
	err  error
}

func (e *lineError) Error() string { return fmt.Sprintf("line %d: %v", e.line, e.err) }

func (e *lineError) Unwrap() error { return e.err }

func atLine(line int, format string, args ...any) error {
	return &lineError{line, fmt.Errorf(format, args...)}
}
