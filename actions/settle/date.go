package settle

import (
	"time"

	"spillway/actions/meter"
)

// A Date is a day of the calendar, as days since 1970-01-01.
type Date int32

// DateOf returns the date that clocks in the zone show at t.
func DateOf(t time.Time, zone *time.Location) Date {
	d, _ := local(t.Unix(), zone)
	return d
}

// local returns the date and the seconds since midnight that clocks show at the instant.
func local(instant int64, zone *time.Location) (Date, int64) {
	wall := meter.Wall(zone, instant)
	d := wall / 86400
	if wall%86400 < 0 {
		d--
	}
	return Date(d), wall - d*86400
}

// String returns the date as in 2026-06-12.
func (d Date) String() string { return d.utc().Format(time.DateOnly) }

// MarshalText writes the date as in 2026-06-12.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// Weekday returns the day of the week.
func (d Date) Weekday() time.Weekday { return d.utc().Weekday() }

func (d Date) utc() time.Time { return time.Unix(int64(d)*86400, 0).UTC() }

// begin returns the first instant of the date in the zone, in Unix seconds.
func (d Date) begin(zone *time.Location) int64 {
	midnight := int64(d) * 86400
	if at := meter.Instants(zone, midnight); len(at) > 0 {
		return at[0]
	}
	// The clocks skip midnight: the date begins with the change. An instant half a day earlier lies before it.
	_, change := time.Unix(midnight-12*3600-meter.Wall(zone, midnight)+midnight, 0).In(zone).ZoneBounds()
	return change.Unix()
}

// changes reports whether the clocks change on the date in the zone: whether it is not 24 hours long.
func (d Date) changes(zone *time.Location) bool {
	return (d+1).begin(zone)-d.begin(zone) != 86400
}

// at returns the one instant of the date at which clocks show so many seconds since midnight; ok is false where a clock
// change skips or repeats that time.
func (d Date) at(seconds int64, zone *time.Location) (instant int64, ok bool) {
	at := meter.Instants(zone, int64(d)*86400+seconds)
	if len(at) != 1 {
		return 0, false
	}
	return at[0], true
}

// Period returns the number of the interval of so many seconds that begins at the instant, counted from 1 from local
// midnight: the settlement period, of which a clock-change day has fewer or more (46 or 50 half hours; Elexon glossary,
// Settlement Period).
func Period(instant int64, seconds int64, zone *time.Location) int {
	d, _ := local(instant, zone)
	return int((instant-d.begin(zone))/seconds) + 1
}
