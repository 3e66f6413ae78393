package plan

import (
	"math"
	"slices"
	"time"

	"spillway/actions"
)

// holdOff keeps a tank, or a battery that cannot give back, from filling by itself for as long before the window as the
// window itself can fill it: what it would have drawn then it draws in the window. What was put in earlier is not.
func (m *rooms) holdOff(t target) {
	if !t.d.LevelNow(m.p.Readings).Known {
		t.w.say("the level of " + t.d.Name + " is not known, so it is not held off before the window")
		return
	}
	span := m.fillTime(t)
	if span <= 0 {
		return
	}
	held, free := 0, 0
	for _, l := range t.lines {
		most, known := m.p.premises.MaxDrawW(l.dev, l.pt)
		if !known || most <= 0 || !l.idle().Known {
			continue
		}
		if !m.may(t.w, l) {
			held++
			continue
		}
		if m.holdOffPoint(t, l, span) {
			free++
		}
	}
	if free+held == 0 {
		t.w.say("nothing of " + t.d.Name + " draws by itself before the window, as far as its points tell: there is nothing to hold off")
	}
}

// holdOffPoint holds one point off, and reports whether there was anything to hold off or a reason not to.
func (m *rooms) holdOffPoint(t target, l *line, span time.Duration) bool {
	idle := l.idle()
	earliest, cap := m.readyBounds(t, m.earliest(t, l))
	from := actions.Later(earliest, actions.Earlier(t.w.start.Add(-span), m.latest(t.w, l)))
	begun, hasBegun := m.begun(t.w, l.ref)
	if l.normal == idle && !hasBegun && !slices.ContainsFunc(l.holds, func(h *hold) bool {
		return h.live && h.win != t.w && h.room == nil && h.from.Before(t.w.start) && h.to.After(from)
	}) {
		return false
	}
	if hasBegun {
		from = begun
	} else {
		from = m.steady(t.w, l.ref, from, earliest)
	}
	if !from.Before(t.w.start) {
		return true
	}
	if why := m.mustFill(t, l, from, cap); why != "" {
		t.w.say(t.d.Name + " is not held off before the window: " + why)
		return true
	}
	store := m.storeAt(t.d, actions.Later(from, m.p.now))
	most, _ := m.p.premises.MaxDrawW(l.dev, l.pt)
	gain := math.Min(most*span.Hours(), store.roomWh)
	r := &roomHold{values: []autoValue{{at: from, value: idle}}}
	r.why = "it is held off for as long as the window can fill it, and takes in the window what it would have drawn until then"
	if gain >= leastRoomWh {
		r.why += ", up to " + kwhs(gain)
	}
	m.hold(t.w, l, from, r)
	t.w.room = append(t.w.room, actions.Room{Device: t.d.Name, MoreKWh: kw(gain)})
	return true
}

// mustFill returns why the device must not be held off from an instant on; "" where it may.
func (m *rooms) mustFill(t target, l *line, from time.Time, cap float64) string {
	if due, ok := m.p.HygieneDue[t.d.Name]; ok && !due.After(t.w.start) {
		return "its hygiene temperature is due"
	}
	unit := levelUnit(t.d)
	level, _ := m.levelAt(t.d, actions.Later(from, m.p.now))
	active := l.st.Owed && m.p.holdOf(l.st.Step) == m.id(t.w, l.ref)
	if t.d.HasReserve && (level <= t.d.Reserve || !active && level < t.d.Reserve+again) {
		return "it is at " + actions.Number(tidy(math.Round(level*10)/10)).String() + unit + " then, and " + actions.Number(t.d.Reserve).String() + unit +
			" is kept for the household"
	}
	if room := m.storeAt(t.d, t.w.start).roomWh; room > cap {
		return "it must be ready by " + m.p.clock(m.p.readyAt(t.d, t.w.start))
	}
	return ""
}

// fillTime returns how long the window can fill the device: the time in which its statements let it draw, and no longer
// than it takes from its reserve to its target.
func (m *rooms) fillTime(t target) (span time.Duration) {
	for _, l := range t.lines {
		sum := time.Duration(0)
		for i, sp := range l.spans {
			if sp.hold == nil || sp.hold.win != t.w {
				continue
			}
			from, to := actions.Later(sp.from, t.w.start), sp.hold.to
			if i+1 < len(l.spans) {
				to = l.spans[i+1].from
			}
			w, _ := m.p.premises.DrawW(l.dev, l.pt, sp.value)
			if (w > 0 || sp.hold.st.Want.Auto) && from.Before(to) {
				sum += to.Sub(from)
			}
		}
		span = max(span, sum)
	}
	full, known := t.d.TargetLevel()
	if wh, figured := t.d.FillWh(t.d.Reserve, full); known && figured && t.d.HasReserve {
		if most := m.p.mostW(t.d); most > 0 {
			span = min(span, hoursOf(wh/most))
		}
	}
	return span.Truncate(time.Second)
}

// readyBounds returns from when room may be made at the earliest, and how much room there may be at the window's start, in
// Wh, for a device that must be ready: not before the last time it must be, and no more than can be filled by the next.
func (m *rooms) readyBounds(t target, earliest time.Time) (from time.Time, cap float64) {
	if t.d.Ready == "" {
		return earliest, math.Inf(1)
	}
	if last := m.p.readyAt(t.d, t.w.start.Add(-24*time.Hour)); !last.IsZero() && !last.After(t.w.start) {
		earliest = actions.Later(earliest, last)
	}
	next := m.p.readyAt(t.d, t.w.start)
	if next.IsZero() {
		return earliest, math.Inf(1)
	}
	return earliest, m.p.mostW(t.d) * next.Sub(t.w.start).Hours()
}
