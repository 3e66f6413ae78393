package meter

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/shopspring/decimal"
)

// runOf is how many steps in a row make a change of interval rather than gaps.
const runOf = 12

// lengths gives every row its interval.
func (t *table) lengths() error {
	if len(t.rows) == 0 {
		return errNothing
	}
	if t.rows[0].to != 0 {
		return nil
	}
	length, err := t.step()
	if err != nil {
		return err
	}
	for i := range t.rows {
		r := &t.rows[i]
		if t.shape.end {
			r.from -= length
		}
		r.to = r.from + length
	}
	return nil
}

// step finds the interval, in seconds: the commonest step between neighbouring stamps.
func (t *table) step() (int64, error) {
	if t.layout.Interval > 0 {
		return int64(t.layout.Interval / time.Second), nil
	}
	stamps := make([]int64, 0, len(t.rows))
	for _, r := range t.rows {
		stamps = append(stamps, r.from)
	}
	slices.Sort(stamps)
	stamps = slices.Compact(stamps)
	if len(stamps) < 2 {
		return 0, errors.New("has one reading only, which does not tell its interval: set the interval")
	}
	often := map[int64]int{}
	for i := 1; i < len(stamps); i++ {
		often[stamps[i]-stamps[i-1]]++
	}
	var length int64
	for step, n := range often {
		if n > often[length] || n == often[length] && step < length {
			length = step
		}
	}
	if !readable(length) {
		return 0, fmt.Errorf("has a stamp every %s: intervals of 5, 15, 30 or 60 minutes are read", time.Duration(length)*time.Second)
	}
	return length, steady(stamps, length)
}

// readable reports whether an interval divides the hour into whole minutes.
func readable(seconds int64) bool {
	return seconds >= 60 && seconds%60 == 0 && 3600%seconds == 0
}

// steady refuses stamps that step otherwise for long enough to be a change of interval.
func steady(stamps []int64, length int64) error {
	for i := 1; i < len(stamps); {
		step, j := stamps[i]-stamps[i-1], i+1
		for j < len(stamps) && stamps[j]-stamps[j-1] == step {
			j++
		}
		if step != length && readable(step) && j-i >= runOf {
			return fmt.Errorf("changes from intervals of %d minutes to %d at %s: split it there, and give both files",
				length/60, step/60, stamp(stamps[i-1]))
		}
		i = j
	}
	return nil
}

// checkValues refuses values that no interval of imports has.
func (t *table) checkValues() error {
	if register, why := t.looksCumulative(); register {
		return fmt.Errorf("holds readings of a register, not of intervals (%s): export interval values, or set register = true", why)
	}
	if t.layout.Net {
		return nil
	}
	for _, r := range t.rows {
		if r.value.IsNegative() {
			return atLine(r.line, "%s %s is below zero: take the column of imports alone, or set net = true for a meter that nets what is sent back",
				r.value, t.shape.unit.name)
		}
	}
	return nil
}

// looksCumulative reports whether the values are those of a register that counts up: none is lower than the one before;
// as a register they would count a plausible use, of ten watts at least; and as intervals they would be more than premises
// use: all above 100 kW, or in a file of some length all above 15 kW or the last above 50 kW.
func (t *table) looksCumulative() (bool, string) {
	if len(t.rows) < 4 || t.shape.unit.power {
		return false, ""
	}
	rows := slices.DeleteFunc(slices.Clone(t.rows), func(r row) bool { return r.empty })
	slices.SortStableFunc(rows, func(a, b row) int { return cmp.Compare(a.from, b.from) })
	if len(rows) < 4 {
		return false, ""
	}
	for i := 1; i < len(rows); i++ {
		if rows[i].value.LessThan(rows[i-1].value) {
			return false, ""
		}
	}
	first, last := rows[0], rows[len(rows)-1]
	watts := func(value decimal.Decimal, seconds int64) float64 {
		joules, _ := value.Mul(decimal.New(t.shape.unit.micro, -6)).Float64() // a rough figure will do
		return joules / float64(max(1, seconds))
	}
	low, high := watts(first.value, first.to-first.from), watts(last.value, last.to-last.from)
	counts := watts(last.value.Sub(first.value), last.from-first.from)
	if counts < 10 || low < 100_000 && (len(rows) < 24 || low < 15_000 && high < 50_000) {
		return false, ""
	}
	return true, fmt.Sprintf("they only rise, from %s to %s %s", first.value, last.value, t.shape.unit.name)
}

// differences turns readings of a register into energies of intervals: each reading with the next, where that is one
// interval later.
func (t *table) differences() ([]Reading, []Hole, error) {
	slices.SortStableFunc(t.rows, func(a, b row) int { return cmp.Compare(a.from, b.from) })
	var out []row
	var back []string
	for i := 1; i < len(t.rows); i++ {
		r, next := t.rows[i-1], t.rows[i]
		at, until := r.from, next.from
		if t.shape.end {
			at, until = r.to, next.to
		}
		if r.empty || next.empty || until-at != r.to-r.from {
			continue
		}
		r.from, r.to, r.value = at, until, next.value.Sub(r.value)
		if r.value.IsNegative() && !t.layout.Net {
			back = append(back, stamp(until))
			continue
		}
		out = append(out, r)
	}
	if len(back) > 0 {
		t.say(fmt.Sprintf("its register goes back at %s: a gap", some(back)))
	}
	t.rows = out
	return t.convert()
}
