package run

import (
	"fmt"
	"math/rand/v2"
	"time"
)

// Seeds from weekSeeds on live through a week or more in the premises of the seed that is so much lower, every other with the
// workshop: windows come in groups some days apart, and everything that can go wrong does, near them and in the quiet hours
// and days between, in which the program polls, watches and forgets. It is drawn from a stream of its own.
const weekSeeds = 2 * workshopSeeds

// makeWeek draws other windows and mishaps for a week.
func (s *spec) makeWeek(r *rand.Rand) {
	s.watch = false
	days := []string{"2026-10-21", "2026-03-25", "2026-12-28", "2027-02-25", "2027-06-18"} // clock changes, ends of months and of a year
	s.start = clock(days[r.IntN(len(days))] + " 00:00").Add(time.Duration(r.IntN(24*3600)) * time.Second)
	zone, err := time.LoadLocation("Europe/London") // of the house
	if err != nil {
		panic(err)
	}
	s.premises.Zone = zone
	s.lasts = 7*24*time.Hour + time.Duration(r.IntN(24))*time.Hour
	s.windows, s.mishaps = nil, nil
	for at := time.Duration(r.IntN(36)) * time.Hour; at < s.lasts-8*time.Hour; at += time.Duration(10+r.IntN(50)) * time.Hour {
		first := len(s.windows)
		for range 1 + r.IntN(3) {
			s.drawWindow(r, s.start.Add(at), s.windows[first:])
		}
	}
	for range 2 { // one kind after the other, twice
		for _, draw := range allMishaps {
			s.add(draw(s, r))
		}
	}
	for _, draw := range longMishaps {
		s.add(draw(s, r))
	}
	if r.IntN(4) == 0 {
		s.add(s.drawYesterday(r))
	}
}

// longMishaps are those that a night has no room for.
var longMishaps = []func(*spec, *rand.Rand) mishap{(*spec).drawLongSleep, (*spec).drawLongDown, (*spec).drawZone}

// drawLongSleep is a machine that is suspended for hours, over what it was to do meanwhile.
func (s *spec) drawLongSleep(r *rand.Rand) mishap {
	return s.sleep(s.moment(r), time.Duration(20+r.IntN(400))*time.Minute)
}

// drawLongDown is a link that cannot be reached for most of a day.
func (s *spec) drawLongDown(r *rand.Rand) mishap {
	return s.down(r, s.premises.Links[r.IntN(len(s.premises.Links))].Name, time.Duration(2+r.IntN(18))*time.Hour)
}

// drawYesterday is a board without a battery for its clock: it starts anew with the time of hours or a day ago, until it is set.
func (s *spec) drawYesterday(r *rand.Rand) mishap {
	by, down := time.Duration(1+r.IntN(30*60))*time.Minute, restartIn(r)
	d := down + time.Duration(10+r.IntN(3600))*time.Second
	return mishap{s.moment(r), fmt.Sprintf("it starts anew with the time of %s ago, for %s", by, d), func(w *world) {
		if w.skew != 0 || w.m == nil {
			return
		}
		w.kill("the power is cut", down, true)
		w.step(-by, d)
	}}
}

// drawZone is somebody who sets the machine to another zone: its clock is the same, and shows other hours.
func (s *spec) drawZone(r *rand.Rand) mishap {
	hours := r.IntN(24) - 11
	return mishap{s.moment(r), fmt.Sprintf("the machine's zone becomes UTC%+d", hours), func(w *world) {
		w.zone = time.FixedZone("", hours*3600)
	}}
}
