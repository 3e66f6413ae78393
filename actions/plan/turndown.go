package plan

import (
	"math"
	"time"

	"spillway/actions"
)

// shareDown works out what auto means in a turn-down window: take nothing, and give back what the premises draw, so that
// the import is as low as it goes; never more than that (nothing is exported), never below a floor or reserve, and at a
// rate that lasts to the window's end.
func (p *planner) shareDown(w *window, explicit *profile) {
	from := actions.Later(w.Start, p.now)
	left := explicit.least(from, w.End)
	for _, h := range w.holds {
		if !h.live || !h.st.Want.Auto {
			continue
		}
		l := h.line
		begin := actions.Later(h.from, p.now)
		l.down = append(l.down, autoValue{at: begin, value: l.zero}) // whatever an earlier window came to
		if l.dev.Kind != actions.Battery && l.dev.Kind != actions.Vehicle {
			continue // nothing is what auto comes to of itself
		}
		level := l.dev.LevelNow(p.Readings)
		spare, known := l.dev.SpareWh(level.Number, lowest(l.dev))
		spare = math.Max(0, spare-h.givenSince())
		spare = p.spareForReady(l.dev, spare, begin, h.to)
		if !p.canGiveBack(l) {
			continue
		}
		if !known || !level.Known {
			w.say("the level of " + l.dev.Name + " is not known, so nothing is taken from it")
			continue
		}
		if level.Number < lowest(l.dev)+again && !h.active() {
			w.say("nothing is taken from " + l.dev.Name + ": it is at " + level.String() + " %, and kept above " + actions.Number(lowest(l.dev)).String() + " %")
			continue
		}
		v, gives, until := p.giveBack(l, left, spare, begin, h.to)
		if gives <= 0 {
			continue
		}
		l.down = append(l.down, autoValue{at: begin, value: v})
		if until.Before(h.to) {
			l.down = append(l.down, autoValue{at: until, value: l.zero})
		}
		left -= gives
	}
}

// canGiveBack reports whether the point has a value that gives back.
func (p *planner) canGiveBack(l *line) bool {
	return p.premises.GivesBack(l.dev, l.pt)
}

// giveBack returns the value with which the point gives most of left, in W, out of spare, in Wh; what that is; and until
// when spare lasts.
func (p *planner) giveBack(l *line, left, spare float64, from, to time.Time) (v actions.Value, gives float64, until time.Time) {
	hours := to.Sub(from).Hours()
	if hours <= 0 || left <= 0 || spare <= 0 {
		return v, 0, from
	}
	if len(l.pt.Values) > 0 {
		for i := range l.pt.Values {
			name := actions.Named(l.pt.Values[i].Name)
			if w, _ := p.premises.DrawW(l.dev, l.pt, name); -w > gives && -w <= left {
				v, gives = name, -w
			}
		}
		if gives == 0 {
			return v, 0, from
		}
		return v, gives, from.Add(time.Duration(spare / gives * float64(time.Hour)).Truncate(time.Second))
	}
	one, _ := p.premises.DrawW(l.dev, l.pt, actions.Number(1))
	gives = math.Min(-l.pt.Min*one, math.Min(left, spare/hours))
	if l.dev.DischargeW > 0 {
		gives = math.Min(gives, l.dev.DischargeW)
	}
	grain := grainOf(l.pt.Unit)
	n := tidy(math.Floor(gives/one/grain+1e-6) * grain)
	if now := -l.st.Value.Number; l.st.Owed && l.st.Value.IsNumber() && now > 0 && now*one <= left && math.Abs(now-n) <= n/10 {
		n = now // not worth a command
	}
	return actions.Number(-n), n * one, to
}

// least returns the least that the premises draw between two instants, in W over all phases.
func (f *profile) least(from, to time.Time) float64 {
	other := f.other[0] + f.other[1] + f.other[2]
	least := math.Inf(1)
	at := 0.0
	begun := false
	for _, x := range f.load {
		if !x.t.Before(to) {
			break
		}
		if x.t.After(from) && !begun {
			least, begun = at, true
		}
		at = x.w[0] + x.w[1] + x.w[2]
		if begun {
			least = math.Min(least, at)
		}
	}
	if !begun {
		least = at
	}
	return other + math.Max(0, least)
}
