package meter

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"
)

// A channel is the interval data of one MeterReading of a Green Button file, with its type.
type channel struct {
	href   string
	kind   readingType
	blocks []block
}

// channels follows the links from blocks to meter readings to reading types.
func (f *feed) channels() ([]*channel, error) {
	var list []*channel
	byHref := map[string]*channel{}
	for _, b := range f.blocks {
		href := strings.TrimSuffix(strings.TrimSuffix(b.up, "/"), "/IntervalBlock")
		c := byHref[href]
		if c == nil {
			kind, ok := f.kindOf(href)
			if !ok {
				return nil, fmt.Errorf("names no ReadingType for its readings, so their unit is unknown")
			}
			c = &channel{href: href, kind: kind}
			byHref[href] = c
			list = append(list, c)
		}
		c.blocks = append(c.blocks, b)
	}
	return slices.DeleteFunc(list, func(c *channel) bool { return f.noElectricity(c) }), nil
}

// kindOf returns the reading type of the meter reading at href: the one it is related to, or the only one of the file.
func (f *feed) kindOf(href string) (readingType, bool) {
	for _, related := range f.meters[href] {
		for self, kind := range f.types {
			if self != "" && (related == self || strings.HasSuffix(related, "/"+self) || strings.HasSuffix(self, "/"+related)) {
				return kind, true
			}
		}
	}
	if len(f.types) == 1 {
		for _, kind := range f.types {
			return kind, true
		}
	}
	return readingType{}, false
}

// noElectricity reports whether a channel is gas, water or the like, by its commodity or its usage point.
func (f *feed) noElectricity(c *channel) bool {
	if c.kind.Commodity > 2 {
		return true
	}
	for point := range f.gas {
		if strings.HasPrefix(c.href, point+"/") {
			return true
		}
	}
	return false
}

// choose picks the one channel of energy delivered to the customer.
func choose(channels []*channel, name string) (*channel, []Note, error) {
	if len(channels) == 0 {
		return nil, nil, fmt.Errorf("holds no electricity")
	}
	best := func(wanted ...func(*channel) bool) []*channel {
		for _, want := range wanted {
			var found []*channel
			for _, c := range channels {
				if want(c) {
					found = append(found, c)
				}
			}
			if len(found) > 0 {
				return found
			}
		}
		return nil
	}
	of := func(uom int, flows ...int) func(*channel) bool {
		return func(c *channel) bool { return c.kind.Uom == uom && slices.Contains(flows, c.kind.Flow) }
	}
	found := best(of(uomWh, flowForward), of(uomWh, flowNone, flowTotal), of(uomWh, flowNet), of(uomW, flowForward), of(uomW, flowNone, flowTotal, flowNet))
	switch {
	case len(found) == 0 && len(best(of(uomWh, flowReverse), of(uomW, flowReverse))) > 0:
		return nil, nil, fmt.Errorf("holds only what was sent back to the network (flow direction 19): export what was taken from it")
	case len(found) == 0:
		return nil, nil, fmt.Errorf("holds no energy in Wh and no power in W: its unit of measure is %d", channels[0].kind.Uom)
	case len(found) > 1:
		return nil, nil, fmt.Errorf("holds %d meters or registers of energy taken (%s and %s among them): export the one of the premises", len(found), found[0].href, found[1].href)
	}
	var notes []Note
	if left := len(channels) - 1; left > 0 {
		notes = append(notes, Note{File: name, Text: fmt.Sprintf("took %s, energy taken from the network, and left out %s", found[0].href, count(left, "other kind of reading", "other kinds of reading"))})
	}
	return found[0], notes, nil
}

// unit returns what the channel's numbers mean.
func (c *channel) unit() (unit, error) {
	if c.kind.Power < -15 || c.kind.Power > 15 {
		return unit{}, fmt.Errorf("has a power-of-ten multiplier of %d", c.kind.Power)
	}
	if c.kind.Uom == uomW {
		return unitOf("W")
	}
	return unitOf("Wh")
}

// readings turns the channel's blocks into readings and says what of their quality is worth knowing.
func (c *channel) readings(layout Layout) (readings []Reading, holes []Hole, said []string, err error) {
	u, err := c.unit()
	if err != nil {
		return nil, nil, nil, err
	}
	switch c.kind.Accumulation {
	case accumulatesBulk, accumulatesContinuous, accumulatesSince, accumulatesSum:
		if !layout.Register {
			return nil, nil, nil, fmt.Errorf("holds readings of a register, not of intervals (accumulation behaviour %d): export interval values, or set register = true", c.kind.Accumulation)
		}
	}
	t := table{shape: &shape{unit: u}, layout: layout, say: func(s string) { said = append(said, s) }}
	qualities := map[int]int{}
	var marks []bool // whether row i is estimated
	for _, b := range c.blocks {
		next := b.start
		for _, r := range b.readings {
			one, err := c.row(r, next)
			if err != nil {
				return nil, nil, nil, &lineError{r.line, err}
			}
			next = one.to
			projected, estimated := false, false
			for _, q := range r.Quality {
				qualities[q]++
				projected = projected || q == qualityProjected
				estimated = estimated || q == qualityEdited || q == qualityReference || q == qualityInterpolated
			}
			if projected {
				holes = append(holes, Hole{one.from, one.to, Forecast})
				continue
			}
			t.rows, marks = append(t.rows, one), append(marks, estimated)
		}
	}
	if n := qualities[qualityQuestionable]; n > 0 {
		t.say(count(n, "reading is", "readings are") + " questionable, as the file says: counted")
	}
	if layout.Register {
		// Two readings make one interval, so a mark on a single one says little; the notes have counted them.
		readings, empty, err := t.differences()
		return readings, append(holes, empty...), said, err
	}
	if err := t.checkValues(); err != nil {
		return nil, nil, nil, err
	}
	return c.convert(&t, marks, holes, &said)
}

func (c *channel) convert(t *table, marks []bool, holes []Hole, said *[]string) ([]Reading, []Hole, []string, error) {
	readings, empty, err := t.convert()
	if err != nil {
		return nil, nil, nil, err
	}
	i := 0
	for k, r := range t.rows {
		if r.empty {
			continue
		}
		readings[i].Estimated = marks[k]
		i++
	}
	return readings, append(holes, empty...), *said, nil
}

// row reads one interval; next is where it begins if it does not say so itself (REQ.21: then readings follow each other
// every intervalLength of the reading type).
func (c *channel) row(r interval, next int64) (row, error) {
	one := row{line: r.line, from: next}
	length := c.kind.Length
	if r.Period != nil {
		one.from, length = r.Period.Start, r.Period.Duration
		if length == 0 {
			length = c.kind.Length
		}
	}
	if one.from <= 0 || one.from > 7_258_118_400 { // the year 2200
		return row{}, fmt.Errorf("an interval begins at %d: no seconds since 1970", one.from)
	}
	if !readable(length) {
		return row{}, fmt.Errorf("an interval lasts %d s: 5, 15, 30 or 60 minutes are read", length)
	}
	one.to = one.from + length
	if r.Value == nil || isEmpty(*r.Value) {
		one.empty = true
		return one, nil
	}
	v, err := parseNumber(strings.TrimSpace(*r.Value), '.')
	if err != nil {
		return row{}, err
	}
	one.value = v.Mul(decimal.New(1, int32(c.kind.Power)))
	return one, nil
}
