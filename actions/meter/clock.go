package meter

import "time"

// Instants returns the instants, as Unix seconds and in order, at which clocks in the zone show the wall time wall, given
// as the Unix seconds it would be in UTC: none in the hour that a spring change skips, two in the one that an autumn change
// repeats, else one.
func Instants(zone *time.Location, wall int64) []int64 {
	const reach = 15 * 3600 // no zone is further from UTC, so the changes that matter lie within
	before, after := offset(zone, wall-reach), offset(zone, wall+reach)
	first, second := wall-max(before, after), wall-min(before, after)
	out := make([]int64, 0, 2)
	if first+offset(zone, first) == wall {
		out = append(out, first)
	}
	if second != first && second+offset(zone, second) == wall {
		out = append(out, second)
	}
	return out
}

// Wall returns the wall time in the zone at the instant, both as Unix seconds.
func Wall(zone *time.Location, instant int64) int64 { return instant + offset(zone, instant) }

func offset(zone *time.Location, instant int64) int64 {
	_, off := time.Unix(instant, 0).In(zone).Zone()
	return int64(off)
}
