package meter

import (
	"fmt"
	"time"
)

// A Layout describes a text file. Its zero value is a file that explains itself: what is not given is found from the
// header and the first rows, and the guess is explained in a note. Green Button files need none of it.
type Layout struct {
	Zone *time.Location // of stamps that carry none; nil is UTC

	// Stamp says which end of the interval the stamps are: "start" or "end"; "" is start.
	Stamp string

	// Columns names the columns by header or number, from 1: "time" and "energy"; or "date" and "time" (the clock alone),
	// or "date" and "period" (the number of the interval in its local day, from 1); and "end" where both ends are given.
	Columns map[string]string

	Unit      string        // of the energy: kWh, Wh, MWh, or W, kW for a mean over the interval; "" is as the header says, else kWh
	Interval  time.Duration // of every reading; 0 finds it from the stamps
	Decimal   string        // decimal mark, "." or ","; "" finds it
	Separator string        // of columns; "" finds it
	Dates     string        // order of all-number dates: "ymd", "dmy" or "mdy"; "" finds it
	Register  bool          // the values are readings of a register; each is differenced with the next
	Net       bool          // values may be below zero: the meter nets what is sent back
	MaxBytes  int64         // most bytes once unpacked; 0 is 128 MiB
}

// A Note is something worth knowing about a file that was read: a guess, a gap, a duplicate.
type Note struct {
	File string
	Line int // from 1; 0 where it is about the whole file
	Text string
}

// String returns the note on one line.
func (n Note) String() string {
	switch {
	case n.File == "":
		return n.Text
	case n.Line > 0:
		return fmt.Sprintf("%s:%d: %s", n.File, n.Line, n.Text)
	}
	return n.File + ": " + n.Text
}

const (
	defaultMaxBytes = 128 << 20
	// maxReadings bounds the memory that one file can take: ten years of five minutes.
	maxReadings = 1_100_000
)

func (l Layout) zone() *time.Location {
	if l.Zone == nil {
		return time.UTC
	}
	return l.Zone
}

// check reports what is wrong with the layout itself.
func (l Layout) check() error {
	switch {
	case l.Stamp != "" && l.Stamp != "start" && l.Stamp != "end":
		return fmt.Errorf("stamp %q: write start or end", l.Stamp)
	case l.Decimal != "" && l.Decimal != "." && l.Decimal != ",":
		return fmt.Errorf("decimal mark %q: write \".\" or \",\"", l.Decimal)
	case len([]rune(l.Separator)) > 1:
		return fmt.Errorf("separator %q: one character", l.Separator)
	case l.Dates != "" && l.Dates != "ymd" && l.Dates != "dmy" && l.Dates != "mdy":
		return fmt.Errorf("order of dates %q: write ymd, dmy or mdy", l.Dates)
	case l.Interval < 0 || l.Interval%time.Second != 0:
		return fmt.Errorf("interval %s: whole seconds", l.Interval)
	}
	for key := range l.Columns {
		switch key {
		case "time", "energy", "date", "period", "end":
		default:
			return fmt.Errorf("column %q: there are time, energy, date, period and end", key)
		}
	}
	if l.Unit == "" {
		return nil
	}
	_, err := unitOf(l.Unit)
	return err
}
