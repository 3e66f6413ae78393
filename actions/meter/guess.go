package meter

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// guess finds the columns that the layout does not name, and says why it took them.
func (s *shape) guess(rows [][]string) error {
	rows = rows[:min(len(rows), sampleRows)]
	_, hasTime := s.columns["time"]
	_, hasDate := s.columns["date"]
	if !hasTime && !hasDate {
		if err := s.guessTime(rows); err != nil {
			return err
		}
	}
	if _, ok := s.columns["energy"]; !ok {
		return s.guessEnergy(rows)
	}
	return nil
}

// guessTime takes the first column of stamps: of those, one that a header calls a start before any other.
func (s *shape) guessTime(rows [][]string) error {
	var stamps, dates, clocks []int
	for c := range widest(rows) {
		switch {
		case every(rows, c, isClock):
			clocks = append(clocks, c)
		case every(rows, c, isBareDate) && len(rows) > 0:
			dates = append(dates, c)
		case every(rows, c, isStamp):
			stamps = append(stamps, c)
		}
	}
	switch {
	case len(stamps) > 0:
		c := stamps[0]
		for _, other := range stamps {
			if startWord(s.name(other)) && !startWord(s.name(c)) {
				c = other
			}
		}
		s.columns["time"] = c
		s.explain("time", c, "it holds stamps")
		for _, other := range stamps {
			if other != c && startWord(s.name(c)) && endWord(s.name(other)) {
				s.columns["end"] = other
				s.explain("end", other, "it holds stamps and its header says so")
				break
			}
		}
		return nil
	case len(dates) > 0 && len(clocks) > 0:
		s.columns["date"], s.columns["time"] = dates[0], clocks[0]
		s.explain("date", dates[0], "it holds dates")
		s.explain("time", clocks[0], "it holds times of day")
		return nil
	}
	return errors.New("has another layout: no column holds a time in every row; name it with column.time")
}

// guessEnergy takes the only column of numbers, or the one whose header names energy most plainly.
func (s *shape) guessEnergy(rows [][]string) error {
	best, score, tie := -1, 0, false
	numbers := 0
	taken := map[int]bool{}
	for _, c := range s.columns {
		taken[c] = true
	}
	for c := range widest(rows) {
		if taken[c] || !every(rows, c, func(v string) bool { return isNumber(v) || isEmpty(v) }) || !has(rows, c, isNumber) {
			continue
		}
		numbers++
		points := energyPoints(s.name(c))
		switch {
		case best < 0 || points > score:
			best, score, tie = c, points, false
		case points == score:
			tie = true
		}
	}
	switch {
	case best < 0:
		return errors.New("has another layout: no column of numbers beside its times; name it with column.energy")
	case numbers == 1:
		s.explain("energy", best, "it is the only other column of numbers")
	case tie:
		return &columnError{fmt.Sprintf("has several columns of numbers: say with column.energy which is the energy; its columns are %s", quoted(s.names(rows)))}
	default:
		s.explain("energy", best, fmt.Sprintf("of %d columns of numbers its header names energy most plainly", numbers))
	}
	s.columns["energy"] = best
	return nil
}

// energyPoints says how plainly a header names the energy taken from the network.
func energyPoints(header string) int {
	h := strings.ToLower(header)
	points := 0
	for word, worth := range map[string]int{
		"kwh": 8, "energy": 4, "consum": 4, "import": 4, "usage": 4, "used": 3, "delivered": 2, "value": 2, "reading": 1, "wh": 2,
		"export": -20, "generat": -20, "sent": -8, "cost": -20, "price": -20, "rate": -20, "temp": -20, "id": -2, "period": -10,
		"quality": -20, "status": -20, "cumul": -10, "total": -4, "number": -4,
	} {
		if strings.Contains(h, word) {
			points += worth
		}
	}
	return points
}

func startWord(header string) bool { return hasWord(header, "start", "from", "begin", "beginning") }

func endWord(header string) bool { return hasWord(header, "end", "ending", "to", "until", "till") }

// hasWord reports whether one of the words stands in the header by itself, as in "interval_end" or "intervalEnd".
func hasWord(header string, words ...string) bool {
	var spaced []rune
	last := ' '
	for _, r := range header {
		if unicode.IsUpper(r) && unicode.IsLower(last) {
			spaced = append(spaced, ' ')
		}
		spaced, last = append(spaced, unicode.ToLower(r)), r
	}
	return slices.ContainsFunc(strings.FieldsFunc(string(spaced), func(r rune) bool { return !unicode.IsLetter(r) }),
		func(w string) bool { return slices.Contains(words, w) })
}

func (s *shape) name(c int) string {
	if c < len(s.header) {
		return strings.TrimSpace(s.header[c])
	}
	return ""
}

func (s *shape) names(rows [][]string) []string {
	if s.header != nil {
		return s.header
	}
	return rows[0]
}

func (s *shape) explain(key string, c int, why string) {
	name := ""
	if n := s.name(c); n != "" {
		name = fmt.Sprintf(" %q", n)
	}
	s.notes = append(s.notes, fmt.Sprintf("took column %d%s as the %s: %s", c+1, name, key, why))
}

// every reports whether the cells of column c satisfy ok in every row that has any.
func every(rows [][]string, c int, ok func(string) bool) bool {
	for _, r := range rows {
		if blank(r) {
			continue
		}
		if c >= len(r) || !ok(strings.TrimSpace(r[c])) {
			return false
		}
	}
	return true
}

func has(rows [][]string, c int, ok func(string) bool) bool {
	for _, r := range rows {
		if c < len(r) && ok(r[c]) {
			return true
		}
	}
	return false
}

func blank(rec []string) bool {
	for _, c := range rec {
		if strings.TrimSpace(c) != "" {
			return false
		}
	}
	return true
}

func isStamp(v string) bool { _, ok := parseStamp(v); return ok }

func isBareDate(v string) bool {
	_, _, ok := parseDate(v)
	return ok && !strings.Contains(v, ":")
}

func isClock(v string) bool {
	_, rest, ok := parseClock(v)
	return ok && rest == ""
}

// readMark finds the decimal mark of the energy column.
func (s *shape) readMark(rows [][]string, layout Layout) {
	s.mark = '.'
	if layout.Decimal != "" {
		s.mark = layout.Decimal[0]
		return
	}
	commas, points, plain := 0, 0, false
	for _, r := range rows {
		c := s.columns["energy"]
		if c >= len(r) {
			continue
		}
		v := strings.TrimSpace(r[c])
		comma, point := strings.LastIndexByte(v, ','), strings.LastIndexByte(v, '.')
		switch {
		case comma > point && point >= 0, comma >= 0 && point < 0:
			commas++
			plain = plain || point >= 0 || !grouping(v, comma, 0) || strings.HasPrefix(strings.TrimLeft(v, "-+"), "0")
		case point >= 0:
			points++
		}
	}
	switch {
	case commas == 0 || points > 0:
		return
	case plain:
		s.mark = ','
	case s.separator != ',':
		s.mark = ','
		s.notes = append(s.notes, "took the comma in its numbers as a decimal mark, as commas do not separate its columns; if it groups thousands, set the decimal mark")
	default:
		s.notes = append(s.notes, "took the comma in its numbers as grouping thousands, as commas separate its columns; if it is a decimal mark, set it so")
	}
}

// readUnit takes the unit from the layout, else from the header, else kWh.
func (s *shape) readUnit(layout Layout) {
	name := s.name(s.columns["energy"])
	told := ""
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return !(r >= 'a' && r <= 'z') })
	for _, w := range words {
		switch w {
		case "kwh", "wh", "mwh", "kw", "w":
			told = w
		}
	}
	switch {
	case layout.Unit == "" && told == "":
		s.unit, _ = unitOf("kWh")
	case layout.Unit == "":
		s.unit, _ = unitOf(told)
		if s.unit.name != "kWh" {
			s.notes = append(s.notes, fmt.Sprintf("took the energy in %s, as its header %q says", s.unit.name, name))
		}
	default:
		s.unit, _ = unitOf(layout.Unit)
		if told != "" && !strings.EqualFold(told, s.unit.name) {
			s.notes = append(s.notes, fmt.Sprintf("its header %q names another unit than the configured %s, which counts", name, s.unit.name))
		}
	}
}

// readEnd takes which end the stamps are from the layout, else the start; a header that says otherwise is mentioned.
func (s *shape) readEnd(layout Layout) {
	s.end = layout.Stamp == "end"
	c, ok := s.columns["time"]
	if _, both := s.columns["end"]; !ok || both {
		return
	}
	h := s.name(c)
	ends := endWord(h) && !startWord(h)
	switch {
	case layout.Stamp == "" && ends:
		s.end = true
		s.notes = append(s.notes, fmt.Sprintf("took its stamps as the ends of intervals, as the header %q says", h))
	case layout.Stamp == "start" && ends:
		s.notes = append(s.notes, fmt.Sprintf("its header %q speaks of ends, but the stamps are configured as starts, which counts", h))
	case layout.Stamp == "end" && startWord(h):
		s.notes = append(s.notes, fmt.Sprintf("its header %q speaks of starts, but the stamps are configured as ends, which counts", h))
	}
}
