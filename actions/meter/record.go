package meter

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"strconv"
	"time"

	"github.com/shopspring/decimal"
)

// A Sample is what the point that shows the meter read as at an instant, in the point's unit.
type Sample struct {
	At    time.Time
	Value float64
}

// MostApart is how far apart two samples may be for what lies between them to count as known.
const MostApart = 5 * time.Minute

// The reasons of holes in what was recorded.
const (
	NotRecorded = "nothing was recorded"
	WentBack    = "the register went back"
)

// Recorded turns samples of one point into the energies of intervals that begin at whole multiples of their length. The
// unit tells what the point shows: Wh, kWh or MWh, a register that counts up, of which what it has at both ends of an
// interval counts; W or kW, the power drawn, whose mean between neighbouring samples counts. A value at an instant
// between two samples is on the straight line between them. An interval is a hole where an end of it (of a register), or
// any stretch of it (of a power), lies between samples more than [MostApart] apart; a register that goes back makes holes
// of the intervals it touches. Powers below zero count as zero, and a register may not go back, unless net is set.
//
// Energies are rounded to microjoules so that they add up to the difference of the register, or to the integral of the
// power, over any run of intervals.
func Recorded(name string, samples []Sample, unitName string, interval time.Duration, net bool) (*Series, []Note, error) {
	u, err := unitOf(unitName)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", name, err)
	}
	if interval < time.Minute || interval%time.Minute != 0 || time.Hour%interval != 0 {
		return nil, nil, fmt.Errorf("%s: intervals of %s do not divide the hour into whole minutes", name, interval)
	}
	r := recording{unit: u, net: net, length: int64(interval / time.Second)}
	r.take(samples)
	readings, holes := r.intervals()
	s, notes, err := New(name, readings, holes)
	if err != nil {
		return nil, nil, err
	}
	if r.below > 0 {
		notes = append(notes, Note{File: name, Text: fmt.Sprintf("%s below zero: counted as zero, as the meter does not net", count(r.below, "sample", "samples"))})
	}
	return s, notes, nil
}

// A recording is samples on their way to intervals. Its total is what has gone through the meter, in microjoules, from
// some beginning: the register itself, or the integral of the power.
type recording struct {
	unit   unit
	net    bool
	length int64 // of an interval, in seconds
	ticks  []tick
	below  int
}

// A tick is a sample with the total at it. Broken says that what lies between it and the one before is not known.
type tick struct {
	at     int64 // Unix microseconds
	value  float64
	total  Energy // of a power; that of a register is worked out where it is asked for
	broken bool
	back   bool // the register went back here
}

func (r *recording) take(samples []Sample) {
	sorted := slices.Clone(samples)
	slices.SortStableFunc(sorted, func(a, b Sample) int { return a.At.Compare(b.At) })
	var total Energy
	var rest int64 // nanojoules that are no whole microjoule yet
	for _, s := range sorted {
		if math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
			continue
		}
		t := tick{at: s.At.UnixMicro(), value: s.Value, broken: len(r.ticks) == 0}
		if r.unit.power && t.value < 0 && !r.net {
			t.value = 0
			r.below++
		}
		if n := len(r.ticks); n > 0 {
			last := r.ticks[n-1]
			if t.at == last.at {
				continue
			}
			t.broken = t.at-last.at > MostApart.Microseconds()
			t.back = !r.unit.power && !r.net && t.value < last.value
			if r.unit.power && !t.broken {
				rest += r.between(last, t, t.at)
				total += Energy(rest / 1000)
				rest %= 1000
			}
		}
		t.total = total
		r.ticks = append(r.ticks, t)
	}
}

// milliwatts returns a power in whole milliwatts, bounded to what premises can draw.
func (r *recording) milliwatts(value float64) int64 {
	const bound = 1e9 // a megawatt
	return int64(math.Round(min(max(value*float64(r.unit.micro)/1e3, -bound), bound)))
}

// between returns the energy of the power from a to the instant at, which is not after b, in nanojoules. It fits: at most
// twice a megawatt over [MostApart].
func (r *recording) between(a, b tick, at int64) int64 {
	first, last := r.milliwatts(a.value), r.milliwatts(b.value)
	mid := first + int64(float64(last-first)*float64(at-a.at)/float64(b.at-a.at))
	return (first + mid) * (at - a.at) / 2
}

// intervals returns the intervals between the first and the last sample.
func (r *recording) intervals() (readings []Reading, holes []Hole) {
	if len(r.ticks) < 2 {
		return nil, nil
	}
	first, last := r.ticks[0].at, r.ticks[len(r.ticks)-1].at
	from := -floorDiv(-first, r.length*1e6) * r.length
	at, known := 0, false
	var total Energy
	for ; (from+r.length)*1e6 <= last; from += r.length {
		to := from + r.length
		begin := r.seek(at, from*1e6)
		end := r.seek(begin, to*1e6)
		at = begin
		why := r.spoiled(begin, end, from*1e6)
		if !known {
			total, known = r.totalAt(begin, from*1e6)
		}
		next, ok := r.totalAt(end, to*1e6)
		switch e := next - total; {
		case why != "":
			holes = append(holes, Hole{From: from, To: to, Why: why})
		case !known || !ok || e > most || e < -most || e < 0 && !r.net:
			holes = append(holes, Hole{From: from, To: to, Why: NotRecorded})
		default:
			readings = append(readings, Reading{From: from, To: to, Energy: e})
		}
		total, known = next, ok
	}
	return readings, holes
}

// seek returns the index, from i on, of the first tick that is not before the instant.
func (r *recording) seek(i int, instant int64) int {
	for i < len(r.ticks) && r.ticks[i].at < instant {
		i++
	}
	return i
}

// spoiled says why an interval is no reading, "" where it may be one: begin and end are the first ticks that are not
// before its start and its end.
func (r *recording) spoiled(begin, end int, start int64) string {
	for i := begin; i <= end && i < len(r.ticks); i++ {
		switch t := r.ticks[i]; {
		case t.at == start: // what lies before it is no part of the interval
		case t.back:
			return WentBack
		case t.broken && r.unit.power && i > begin:
			return NotRecorded
		}
	}
	return ""
}

// totalAt returns the total at the instant, of which tick i is the first that is not before it.
func (r *recording) totalAt(i int, instant int64) (Energy, bool) {
	if i >= len(r.ticks) {
		return 0, false
	}
	t := r.ticks[i]
	if t.at == instant {
		return r.total(i)
	}
	if i == 0 || t.broken || t.back {
		return 0, false
	}
	before, ok := r.total(i - 1)
	if !ok {
		return 0, false
	}
	if r.unit.power {
		return before + Energy(r.between(r.ticks[i-1], t, instant)/1000), true
	}
	after, ok := r.total(i)
	share := new(big.Int).Mul(big.NewInt(int64(after-before)), big.NewInt(instant-r.ticks[i-1].at))
	return before + Energy(share.Div(share, big.NewInt(t.at-r.ticks[i-1].at)).Int64()), ok
}

// mostTotal is more than the registers of meters of premises hold: a million kWh and some.
const mostTotal = int64(1) << 62

// total returns the total at a tick; ok is false where no register holds so much.
func (r *recording) total(i int) (total Energy, ok bool) {
	if r.unit.power {
		return r.ticks[i].total, true
	}
	d, err := decimal.NewFromString(strconv.FormatFloat(r.ticks[i].value, 'f', -1, 64))
	if err != nil {
		return 0, false
	}
	whole := d.Mul(decimal.New(r.unit.micro, 0)).RoundBank(0)
	if whole.Abs().GreaterThan(decimal.New(mostTotal, 0)) {
		return 0, false
	}
	return Energy(whole.IntPart()), true
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}
