package meter

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"
)

// A row is one record of a text file. Its times are resolved in two goes, as the whole file tells the order of dates.
type row struct {
	line   int
	start  moment
	end    moment // where the file gives both
	period int    // number of the interval in its day, from 1; 0 where the file gives none
	value  decimal.Decimal
	empty  bool

	from, to int64 // Unix seconds; to is 0 until it is known
	dropped  bool  // an empty row in the hour that a spring change skips
}

func reader(r io.Reader, sep rune) *csv.Reader {
	c := csv.NewReader(r)
	c.Comma, c.FieldsPerRecord, c.LazyQuotes, c.ReuseRecord = sep, -1, true, true
	c.TrimLeadingSpace = sep != '\t'
	return c
}

func readText(text *bufio.Reader, name string, layout Layout) (*Series, []Note, error) {
	sample, err := text.Peek(text.Size())
	switch {
	case errors.Is(err, io.EOF):
	case err == nil, errors.Is(err, bufio.ErrBufferFull):
		sample = sample[:bytes.LastIndexByte(sample, '\n')+1] // whole lines only
	default:
		return nil, nil, plain(err)
	}
	s, err := sniff(sample, layout)
	if err != nil {
		return nil, nil, err
	}
	rows, err := s.rows(reader(text, s.separator))
	if err != nil {
		return nil, nil, err
	}
	var notes []Note
	say := func(text string) { notes = append(notes, Note{File: name, Text: text}) }
	for _, n := range s.notes {
		say(n)
	}
	t := table{rows: rows, shape: s, layout: layout, say: say}
	readings, holes, err := t.readings()
	if err != nil {
		return nil, nil, err
	}
	series, found, err := New(name, readings, holes)
	return series, append(notes, found...), err
}

// rows reads every row of data.
func (s *shape) rows(r *csv.Reader) ([]row, error) {
	var rows []row
	for n := 0; ; n++ {
		rec, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		var syntax *csv.ParseError
		switch {
		case errors.As(err, &syntax):
			return nil, atLine(syntax.Line, "cannot be read: %w", syntax.Err)
		case err != nil:
			return nil, plain(err)
		case n < s.skip || blank(rec):
			continue
		case len(rows) == maxReadings:
			return nil, fmt.Errorf("has more than %d rows: split it", maxReadings)
		}
		line, _ := r.FieldPos(0)
		one, err := s.row(rec)
		if err != nil {
			return nil, &lineError{line, err}
		}
		one.line = line
		rows = append(rows, one)
	}
	if len(rows) == 0 {
		return nil, errNothing
	}
	return rows, nil
}

func (s *shape) row(rec []string) (row, error) {
	cell := func(key string) (string, bool) {
		c, ok := s.columns[key]
		if !ok || c >= len(rec) {
			return "", ok
		}
		return strings.TrimSpace(rec[c]), true
	}
	var r row
	var ok bool
	if r.start, ok = s.time(cell); !ok {
		clock, _ := cell("time")
		day, _ := cell("date")
		return row{}, fmt.Errorf("%q is no time", strings.TrimSpace(day+" "+clock))
	}
	if v, both := cell("end"); both {
		if r.end, ok = parseStamp(v); !ok {
			return row{}, fmt.Errorf("%q is no time", v)
		}
	}
	if v, numbered := cell("period"); numbered {
		n, err := strconv.Atoi(v)
		if err != nil || n < 1 || n > 1500 {
			return row{}, fmt.Errorf("%q is no number of an interval in its day", v)
		}
		r.period = n
	}
	v, _ := cell("energy")
	if r.empty = isEmpty(v); r.empty {
		return r, nil
	}
	var err error
	r.value, err = parseNumber(v, s.mark)
	return r, err
}

// time reads the start of a row from one column or from two.
func (s *shape) time(cell func(string) (string, bool)) (moment, bool) {
	day, dated := cell("date")
	clock, timed := cell("time")
	switch {
	case !dated:
		return parseStamp(clock)
	case !timed:
		return parseStamp(day)
	}
	return parseStamp(day + " " + clock)
}
