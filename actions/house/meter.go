package house

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"time"
)

// HalfHour is the meter's interval.
const HalfHour = 30 * time.Minute

// A Slot is what the meter counted in the half hour from Start.
type Slot struct {
	Start    time.Time // UTC, a whole half hour
	ImportWh float64
}

// Excess is a stretch in which the import was above the service fuse.
type Excess struct {
	From, To time.Time
	PeakW    float64
}

// A Meter integrates the import of the premises by half hours and watches the service fuse. Nothing is exported here:
// the batteries give only what the premises draw.
type Meter struct {
	FuseW float64

	since  time.Time // nothing is known before
	slots  []Slot
	excess []Excess
	peakW  float64
	peakAt time.Time
}

// take counts w from from to to, which lie in one half hour.
func (m *Meter) take(from, to time.Time, w float64) {
	start := from.Truncate(HalfHour)
	if n := len(m.slots); n == 0 || m.slots[n-1].Start.Before(start) {
		m.slots = append(m.slots, Slot{Start: start})
	}
	m.slots[len(m.slots)-1].ImportWh += max(0, w) * to.Sub(from).Hours()
	if w > m.peakW {
		m.peakW, m.peakAt = w, from
	}
	if w <= m.FuseW+1e-6 {
		return
	}
	if n := len(m.excess); n > 0 && m.excess[n-1].To.Equal(from) {
		m.excess[n-1].To, m.excess[n-1].PeakW = to, max(m.excess[n-1].PeakW, w)
		return
	}
	m.excess = append(m.excess, Excess{from, to, w})
}

// whole returns the slots that are known from beginning to end at now.
func (m *Meter) whole(now time.Time) []Slot {
	var all []Slot
	for _, s := range m.slots {
		if !s.Start.Before(m.since) && !s.Start.Add(HalfHour).After(now) {
			all = append(all, s)
		}
	}
	return all
}

// MeterCSV writes slots as "time,value": the start of each half hour in UTC, and kWh to the watt-hour.
func MeterCSV(slots []Slot) []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	_ = w.Write([]string{"time", "value"}) // a bytes.Buffer takes everything
	for _, s := range slots {
		_ = w.Write([]string{s.Start.UTC().Format(time.RFC3339), strconv.FormatFloat(s.ImportWh/1000, 'f', 3, 64)})
	}
	w.Flush()
	return b.Bytes()
}
