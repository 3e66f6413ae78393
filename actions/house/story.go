package house

import (
	"fmt"
	"time"
)

// The categories and titles of the story's events; the configuration matches them.
const (
	NightRateUID = "night-rate@quillmere.example"
	SurplusUID   = "surplus-oct14@quillmere.example"

	nightRateCategory = "night-rate"
	surplusCategory   = "surplus"
)

// StoryStart returns when the story begins: a Wednesday in October, a quarter past midnight local time, fifteen minutes
// before the night rate.
func StoryStart() (time.Time, error) { return storyTime(0, 15) }

// StoryEnd returns when everything must be at its normal again: two minutes after the night rate's end.
func StoryEnd() (time.Time, error) { return storyTime(4, 32) }

// StoryEvents returns what stands in the calendar: a night rate from 00:30 to 04:30 every day, and one surplus from 03:00
// to 04:00 inside it.
func StoryEvents() ([]Event, error) {
	var at [4]time.Time
	for i, hm := range [4][2]int{{0, 30}, {4, 30}, {3, 0}, {4, 0}} {
		t, err := storyTime(hm[0], hm[1])
		if err != nil {
			return nil, err
		}
		at[i] = t
	}
	return []Event{
		{
			UID: NightRateUID, Title: "Night rate", Categories: []string{nightRateCategory},
			Start: at[0], End: at[1], Rule: "FREQ=DAILY",
		},
		{
			UID: SurplusUID, Title: "Free power, Nether Sallow", Categories: []string{surplusCategory},
			Start: at[2], End: at[3], Description: "More wind than the line can carry: use what you can.",
		},
	}, nil
}

func storyTime(hour, minute int) (time.Time, error) {
	zone, err := time.LoadLocation(Zone)
	if err != nil {
		return time.Time{}, fmt.Errorf("load zone %s: %w", Zone, err)
	}
	return time.Date(2026, time.October, 14, hour, minute, 0, 0, zone).UTC(), nil
}
