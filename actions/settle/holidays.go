package settle

import (
	"time"

	"spillway/calendar"
)

// Dates are days with a name each, such as holidays or outages.
type Dates map[Date]string

// DatesOf returns the local dates that the occurrences touch, with the first summary of each. Cancelled ones do not count;
// one of no length touches the date it lies on.
func DatesOf(occurrences []calendar.Occurrence, zone *time.Location) Dates {
	out := Dates{}
	for _, o := range occurrences {
		if o.Status == "cancelled" {
			continue
		}
		last := o.End.Unix() - 1
		if !o.End.After(o.Start) {
			last = o.Start.Unix()
		}
		end, _ := local(last, zone)
		for d := DateOf(o.Start, zone); d <= end; d++ {
			if _, known := out[d]; !known {
				out[d] = o.Summary
			}
		}
	}
	return out
}
