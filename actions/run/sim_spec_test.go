package run

import (
	"fmt"
	"math/rand/v2"
	"time"

	"spillway/actions"
	"spillway/actions/house"
)

// A spec is everything that is drawn from a seed before the world begins.
type spec struct {
	seed     uint64
	premises *actions.Premises
	start    time.Time
	levels   house.Levels
	workshop *house.Workshop // nil: there is none
	settings []setting
	poll     time.Duration
	others   int // events in the feed that no procedure takes
	windows  []actions.Window
	mishaps  []mishap
	watch    bool
	lasts    time.Duration // at least; until everything is over in any case
}

// A mishap is something that happens at a true time, whatever the program does.
type mishap struct {
	at   time.Time
	what string
	do   func(*world)
}

// drawSpec draws the world of a seed.
func drawSpec(seed uint64) *spec {
	drawn := seed % workshopSeeds
	r := rand.New(rand.NewPCG(drawn, 0x5eed))
	s := &spec{seed: seed, settings: settings(), premises: drawPremises(r), poll: time.Duration(1+r.IntN(4)) * time.Minute, others: r.IntN(6), watch: r.IntN(64) == 0, lasts: 9 * time.Hour}
	// Days with and without a clock change of the premises' zone.
	days := []string{"2026-10-14", "2026-10-24", "2026-03-28", "2026-12-31", "2027-02-28"}
	s.start = clock(days[r.IntN(len(days))] + " 18:00").Add(time.Duration(r.IntN(10*3600)) * time.Second)
	s.levels = house.Levels{Barn: float64(10 + r.IntN(80)), House: float64(10 + r.IntN(75)), Ice: float64(40 + r.IntN(55)),
		CylinderC: float64(42 + r.IntN(13)), VanNeedKWh: float64(r.IntN(20)), VanAway: r.IntN(4) == 0}
	for range 1 + r.IntN(4) {
		s.drawWindow(r, s.start, s.windows)
	}
	s.drawMishaps(r)
	if drawn%4 == 0 {
		drawLasts(rand.New(rand.NewPCG(drawn, 0x1a575)), s.premises)
	}
	if seed >= weekSeeds {
		s.makeWeek(rand.New(rand.NewPCG(drawn, 0x3ee4)))
	}
	if seed >= workshopSeeds && (seed < weekSeeds || seed%2 == 1) {
		s.addWorkshop(rand.New(rand.NewPCG(drawn, 0x40b5)))
	}
	return s
}

// drawLasts makes some boxes end their values by themselves, but for the boost, which does anyway, and the charger's remote
// control, without which its current could not be given back.
func drawLasts(r *rand.Rand, p *actions.Premises) {
	for _, s := range settings() {
		if s.ref != ref("cylinder.boost") && s.ref != ref("van.control") && r.IntN(3) == 0 {
			p.Point(s.ref).Write.Lasts = time.Duration([]int{10, 20, 45}[r.IntN(3)]) * time.Minute
		}
	}
}

// drawWindow adds a window in the hours after a time that overlaps, nests in or touches the near ones as often as not.
func (s *spec) drawWindow(r *rand.Rand, after time.Time, near []actions.Window) {
	from := after.Truncate(time.Minute).Add(time.Duration(10+r.IntN(240)) * time.Minute)
	length := time.Duration(10+r.IntN(100)) * time.Minute
	if len(near) > 0 {
		switch o := near[r.IntN(len(near))]; r.IntN(5) {
		case 0:
			from = o.End
		case 1:
			from = o.Start
		case 2:
			from = o.Start.Add(o.End.Sub(o.Start) / 3).Truncate(time.Minute)
			length = o.End.Sub(from) / 2
		}
	}
	uid := fmt.Sprintf("event%d", len(s.windows))
	w := actions.Window{
		ID: actions.WindowID(uid, time.Time{}), UID: uid, Feed: feedName, Title: uid, Start: from, End: from.Add(length),
		Procedure: s.premises.Procedures[r.IntN(len(s.premises.Procedures))].Name, Priority: r.IntN(4),
	}
	if r.IntN(12) == 0 {
		w.SkipDevices = []string{s.premises.Devices[r.IntN(len(s.premises.Devices))].Name}
	}
	s.windows = append(s.windows, w)
}

// moment draws a time near the start or end of a window, or anywhere.
func (s *spec) moment(r *rand.Rand) time.Time {
	w := s.windows[r.IntN(len(s.windows))]
	near := time.Duration(r.IntN(240_000)-120_000) * time.Millisecond
	switch r.IntN(5) {
	case 0, 1:
		return later(w.Start.Add(near), s.start)
	case 2, 3:
		return w.End.Add(near)
	}
	return s.start.Add(time.Duration(r.IntN(int((s.lasts-3*time.Hour)/time.Second))) * time.Second)
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
