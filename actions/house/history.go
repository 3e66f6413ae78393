package house

import "time"

// Remember gives the meter the days before the simulation began: the same premises, lived in without anybody's help but
// that of a timer which fills the house battery and the van at the night rate.
func (s *Site) Remember(days int) error {
	if days <= 0 {
		return nil
	}
	local := s.now.In(s.zone)
	from := time.Date(local.Year(), local.Month(), local.Day()-days, 0, 0, 0, 0, s.zone)
	past, err := NewSite(from, s.seed, StoryLevels())
	if err != nil {
		return err
	}
	for day := from; day.Before(s.now); day = day.AddDate(0, 0, 1) {
		for _, turn := range []struct {
			minute int
			on     bool
		}{{30, true}, {4*60 + 30, false}} {
			at := time.Date(day.Year(), day.Month(), day.Day(), 0, turn.minute, 0, 0, s.zone)
			if at.After(s.now) {
				break
			}
			past.Advance(at)
			past.nightTimer(turn.on)
		}
	}
	past.Advance(s.now)
	s.meter.slots = append(past.meter.slots, s.meter.slots...)
	s.meter.since = from
	return nil
}

// nightTimer sets at the devices what an ordinary night needs.
func (s *Site) nightTimer(on bool) {
	s.house.Mode, s.barn.Mode, s.van.Control, s.van.CurrentA = OwnUse, OwnUse, Local, 0
	if on {
		s.house.Mode, s.barn.Mode, s.van.Control, s.van.CurrentA = Charge, Idle, Remote, 16
	}
	s.flow()
}
