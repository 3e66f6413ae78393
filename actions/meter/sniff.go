package meter

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// A shape is how a text file is to be read: found from its layout, header and first rows.
type shape struct {
	separator rune
	skip      int // records before the first row of data
	columns   map[string]int
	header    []string // nil where there is none
	mark      byte     // decimal mark
	unit      unit
	end       bool // stamps are the ends of intervals
	notes     []string
}

// sampleRows is how many rows of data a guess looks at.
const sampleRows = 200

// sniff finds the shape of a text file from its first lines.
func sniff(sample []byte, layout Layout) (*shape, error) {
	separators := []rune{'\t', ';', '|', ','}
	if layout.Separator != "" {
		separators = []rune(layout.Separator)
	}
	var best error
	for _, sep := range separators {
		records := split(sample, sep)
		if len(records) == 0 || widest(records) < 2 {
			continue
		}
		s, err := shapeOf(records, sep, layout)
		if err == nil {
			return s, nil
		}
		if best == nil || sep == ',' && !errors.As(best, new(*columnError)) || errors.As(err, new(*columnError)) {
			best = err
		}
	}
	if best == nil {
		best = errors.New("has no columns: no comma, semicolon, tab or bar in its rows; meter files are CSV or Green Button XML")
	}
	return nil, best
}

// A columnError is about columns that the file does not have: worth more than that another separator finds nothing.
type columnError struct{ text string }

func (e *columnError) Error() string { return e.text }

func split(sample []byte, sep rune) [][]string {
	r := reader(bytes.NewReader(sample), sep)
	var records [][]string
	for len(records) < sampleRows+maxPreamble {
		rec, err := r.Read()
		if err != nil {
			break
		}
		records = append(records, append([]string(nil), rec...))
	}
	return records
}

// maxPreamble is how many records may stand before the data.
const maxPreamble = 50

func widest(records [][]string) int {
	n := 0
	for _, r := range records {
		n = max(n, len(r))
	}
	return n
}

func shapeOf(records [][]string, sep rune, layout Layout) (*shape, error) {
	s := &shape{separator: sep, columns: map[string]int{}}
	if err := s.place(records, layout); err != nil {
		return nil, err
	}
	rows := records[s.skip:]
	if s.header != nil && len(rows) > 0 && sep == ',' && allWider(rows, len(s.header)) {
		return nil, &columnError{fmt.Sprintf("has %d columns in its header and %d in its rows: a decimal comma that is the separator too? export with semicolons, or with decimal points", len(s.header), len(rows[0]))}
	}
	s.readMark(rows, layout)
	s.readUnit(layout)
	s.readEnd(layout)
	return s, nil
}

func allWider(rows [][]string, n int) bool {
	for _, r := range rows {
		if len(r) <= n {
			return false
		}
	}
	return true
}

// place finds the columns and where the data begins.
func (s *shape) place(records [][]string, layout Layout) error {
	if err := s.placeNamed(records, layout.Columns); err != nil {
		return err
	}
	if err := s.placeHeader(records); err != nil {
		return err
	}
	return s.guess(records[s.skip:])
}

// placeNamed finds the columns that the layout names, and so the header: a row without a time that has them all.
func (s *shape) placeNamed(records [][]string, columns map[string]string) error {
	if len(columns) == 0 {
		return nil
	}
	keys := slices.Sorted(maps.Keys(columns))
	var fullest []string
	for i, rec := range records[:min(len(records), maxPreamble)] {
		if len(rec) > len(fullest) {
			fullest = rec
		}
		if slices.ContainsFunc(rec, isStamp) {
			break
		}
		found, named := map[string]int{}, false
		for _, key := range keys {
			if c := indexOf(rec, columns[key]); c >= 0 {
				found[key], named = c, true
			} else if n, err := strconv.Atoi(columns[key]); err == nil && n >= 1 && n <= widest(records) {
				found[key] = n - 1
			}
		}
		if named && len(found) == len(keys) {
			s.columns, s.header, s.skip = found, rec, i+1
			return nil
		}
	}
	for _, key := range keys {
		n, err := strconv.Atoi(columns[key])
		switch {
		case err != nil && indexOf(fullest, columns[key]) >= 0:
			continue
		case err != nil || n < 1:
			return &columnError{fmt.Sprintf("has no column %q: its columns are %s", columns[key], quoted(fullest))}
		case n > len(fullest):
			return &columnError{fmt.Sprintf("has no column %d: its widest row has %d", n, len(fullest))}
		}
		s.columns[key] = n - 1
	}
	if len(s.columns) < len(keys) {
		return &columnError{fmt.Sprintf("has no header with all of its columns: the fullest row is %s", quoted(fullest))}
	}
	return nil
}

// placeHeader finds the first row of data, where no named column told it, and takes the row before as the header.
func (s *shape) placeHeader(records [][]string) error {
	if s.header != nil {
		return nil
	}
	for i, rec := range records[:min(len(records), maxPreamble)] {
		if !s.isData(rec) {
			continue
		}
		s.skip = i
		if i > 0 && len(records[i-1]) >= len(rec)-1 && len(records[i-1]) > 1 {
			s.header = records[i-1]
		}
		return nil
	}
	return errors.New("has another layout: no row with a time and a number; meter files are CSV with one interval a row, or Green Button XML")
}

// isData reports whether a record can be a row of data: a time, and a number beside it, in the columns known so far.
func (s *shape) isData(rec []string) bool {
	cell := func(key string) (string, bool) {
		c, ok := s.columns[key]
		if !ok || c >= len(rec) {
			return "", ok
		}
		return strings.TrimSpace(rec[c]), true
	}
	day, dated := cell("date")
	clock, timed := cell("time")
	timeOK := false
	switch {
	case dated && timed:
		timeOK = isBareDate(day) && isClock(clock)
	case dated:
		timeOK = isBareDate(day)
	case timed:
		timeOK = isStamp(clock)
	default:
		timeOK = slices.ContainsFunc(rec, isStamp)
	}
	if v, ok := cell("energy"); ok {
		return timeOK && (isNumber(v) || isEmpty(v))
	}
	return timeOK && slices.ContainsFunc(rec, func(v string) bool { return isNumber(v) && (timed || dated || !isStamp(v)) })
}

func indexOf(rec []string, name string) int {
	for i, cell := range rec {
		if strings.EqualFold(strings.TrimSpace(cell), strings.TrimSpace(name)) {
			return i
		}
	}
	return -1
}

func quoted(cells []string) string {
	var out []string
	for i, c := range cells {
		if i == 12 {
			return strings.Join(out, ", ") + fmt.Sprintf(" and %d more", len(cells)-i)
		}
		if c = strings.TrimSpace(c); len(c) > 40 {
			c = c[:40]
		}
		out = append(out, strconv.Quote(c))
	}
	return strings.Join(out, ", ")
}

func isNumber(s string) bool {
	s = strings.TrimSpace(s)
	if s == "" {
		return false
	}
	if _, err := parseNumber(s, '.'); err == nil {
		return true
	}
	_, err := parseNumber(s, ',')
	return err == nil
}

func isEmpty(s string) bool {
	switch strings.ToLower(strings.TrimSpace(s)) {
	case "", "-", "--", "n/a", "na", "null", "none", "nan", "missing":
		return true
	}
	return false
}
