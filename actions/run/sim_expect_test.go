package run

import (
	"reflect"
	"slices"
	"strings"
	"time"

	"spillway/actions"
)

// What the windows ask for is worked out here once more, plainly and apart from the planner, for the times and points at
// which there is only one answer.

// A belief is a version of a window that the program may have in force.
type belief struct {
	w       actions.Window
	lacking int       // good polls in a row that did not show it
	missed  time.Time // the first of them, by the wall clock
	since   time.Time // when it was heard first, or again; true time

	on       time.Time              // when a hold of it is on at the latest
	spans    map[actions.Ref][]span // by the points it holds
	from, to time.Time              // every bound of them lies between these
}

// A down is what was asked to be stood down of a window.
type down struct {
	whole   bool
	devices []string
}

// hears takes in what the program is about to hear.
func (c *checker) hears(events []Event) {
	for _, e := range events {
		if p, ok := e.(Polled); ok {
			c.polled(p)
		}
	}
}

func (c *checker) polled(p Polled) {
	if !p.Good || p.Events == 0 && c.events > manyEvents {
		return
	}
	c.dropHands()
	c.events = p.Events
	if same(p.Windows, c.heard) && c.shown {
		return
	}
	c.heard, c.shown = p.Windows, true
	for i := range p.Windows {
		w := &p.Windows[i]
		list := c.beliefs[w.ID]
		if !slices.ContainsFunc(list, func(b *belief) bool { return sameWindow(&b.w, w) }) {
			c.beliefs[w.ID] = append(list, c.believe(w))
			c.changed = c.t
		}
	}
	for id, list := range c.beliefs {
		for _, b := range list {
			if showsWindow(p.Windows, &b.w) {
				if b.lacking > 0 {
					b.since = c.t
				}
				b.lacking = 0
				continue
			}
			c.shown = false
			if b.lacking++; b.lacking == 1 {
				b.missed = c.wall()
			}
		}
		gone := p.Saved || slices.Contains(p.Cancelled, id)
		c.beliefs[id] = slices.DeleteFunc(list, func(b *belief) bool { return b.lacking >= 2 || gone && b.lacking > 0 })
		if len(c.beliefs[id]) < len(list) {
			c.changed = c.t
		}
	}
}

// same reports whether both are one list: a calendar hands out a list of its own for each version of it.
func same(a, b []actions.Window) bool { return len(a) > 0 && len(a) == len(b) && &a[0] == &b[0] }

func showsWindow(list []actions.Window, w *actions.Window) bool {
	for i := range list {
		if sameWindow(&list[i], w) {
			return true
		}
	}
	return false
}

// sameWindow is [reflect.DeepEqual], asked only where what differs most often is the same.
func sameWindow(a, b *actions.Window) bool {
	return a.ID == b.ID && a.Start.Equal(b.Start) && a.End.Equal(b.End) && a.Procedure == b.Procedure && reflect.DeepEqual(a, b)
}

// believed returns the ids of all windows that were ever heard of since the start, in order.
func (c *checker) believed() []string {
	if len(c.ids) != len(c.beliefs) { // they are never dropped
		c.ids = sortedKeys(c.beliefs)
	}
	return c.ids
}

// lists returns the statements of a window by phase.
func (c *checker) lists(w *actions.Window) (lead, during []actions.Statement) {
	q := c.premises.Procedure(w.Procedure)
	if len(w.Extra) == 0 {
		return q.LeadIn, q.During
	}
	return q.LeadIn, append(slices.Clone(w.Extra), q.During...)
}

// A span is when a statement holds its point: surely from the earliest to the latest of each end.
type span struct {
	s              *actions.Statement
	early, sure    time.Time // it begins between these,
	ends, surelyTo time.Time // and ends between these
}

// believe works out once what follows from a version of a window: it never changes.
func (c *checker) believe(w *actions.Window) *belief {
	b := &belief{w: *w, since: c.t, on: c.surelyOn(w), spans: map[actions.Ref][]span{}, from: w.Start, to: w.End}
	lead, during := c.lists(w)
	for _, list := range [][]actions.Statement{lead, during} {
		for i := range list {
			ref := list[i].Point
			if _, known := b.spans[ref]; known {
				continue
			}
			b.spans[ref] = c.spansOf(w, ref)
			for _, x := range b.spans[ref] {
				for _, t := range []time.Time{x.early, x.sure, x.ends, x.surelyTo} {
					b.from, b.to = earlier(b.from, t), later(b.to, t)
				}
			}
		}
	}
	return b
}

// spansAt returns when the window's statements hold ref; none where now is outside them all by more than d.
func (b *belief) spansAt(ref actions.Ref, now time.Time, d time.Duration) []span {
	if now.Before(b.from) || now.Sub(b.to) > d {
		return nil
	}
	return b.spans[ref]
}

func (c *checker) spansOf(w *actions.Window, ref actions.Ref) (list []span) {
	if slices.Contains(w.SkipDevices, ref.Device) {
		return nil
	}
	lead, during := c.lists(w)
	mine := func(s actions.Statement) bool { return s.Point == ref }
	for i := range lead {
		s := &lead[i]
		if s.Point != ref {
			continue
		}
		x := span{s: s, early: w.Start.Add(-20 * time.Minute), sure: w.Start, ends: w.End, surelyTo: w.End}
		if s.HasFrom {
			x.early, x.sure = w.Start.Add(s.From), w.Start.Add(s.From)
		}
		if slices.ContainsFunc(during, mine) {
			x.ends, x.surelyTo = w.Start, w.Start
		}
		if s.For > 0 {
			x.ends, x.surelyTo = earlier(x.ends, x.early.Add(s.For)), earlier(x.surelyTo, x.sure.Add(s.For))
		}
		list = append(list, x)
	}
	for i := range during {
		if s := &during[i]; s.Point == ref {
			x := span{s: s, early: w.Start, sure: w.Start, ends: w.End, surelyTo: w.End}
			if s.For > 0 {
				x.ends = earlier(x.ends, w.Start.Add(s.For))
				x.surelyTo = x.ends
			}
			list = append(list, x)
		}
	}
	return list
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// surelyOn returns when a hold of the window is on at the latest.
func (c *checker) surelyOn(w *actions.Window) time.Time {
	on := w.Start
	lead, _ := c.lists(w)
	for i := range lead {
		if s := &lead[i]; s.HasFrom && !slices.Contains(w.SkipDevices, s.Point.Device) {
			on = earlier(on, w.Start.Add(s.From))
		}
	}
	return on
}

// permits returns a belief by which the point may be held at v now; nil: there is none.
func (c *checker) permits(ref actions.Ref, v actions.Value) *belief {
	now := c.wall()
	for _, id := range c.believed() {
		d := c.downed[id]
		if d.whole || slices.Contains(d.devices, ref.Device) {
			continue
		}
		for _, b := range c.beliefs[id] {
			for _, x := range b.spansAt(ref, now, 0) {
				if (x.s.Want.Value == v || x.s.Want.Auto && c.mayShare(&b.w, ref, v)) && !now.Before(x.early) && now.Before(x.surelyTo) {
					return b
				}
			}
		}
	}
	if b := c.mayMakeRoom(ref); b != nil {
		if w, _ := c.draws(ref, v); w <= 0 {
			return b
		}
	}
	return nil
}

// mayShare reports whether auto may come to v: nothing is given back where the window is for using more, nothing is taken
// where it is for using less.
func (c *checker) mayShare(w *actions.Window, ref actions.Ref, v actions.Value) bool {
	draw, _ := c.draws(ref, v)
	if c.premises.Procedure(w.Procedure).Direction == actions.TurnDown {
		return draw <= 0
	}
	return draw >= 0
}

// An expectation is what a point must be at now.
type expectation struct {
	known  bool // there is only one answer
	held   bool // a window holds it, at value
	normal bool // it holds it at its normal
	value  actions.Value
	window string
}

// expected works out what ref must be at now, once everything has settled.
func (c *checker) expected(ref actions.Ref) expectation {
	if c.mayMakeRoom(ref) != nil {
		return expectation{}
	}
	now := c.wall()
	type claim struct {
		w *actions.Window
		x span
	}
	var claims []claim
	for _, id := range c.believed() {
		d := c.downed[id]
		list := c.beliefs[id]
		for _, b := range list {
			for _, x := range b.spansAt(ref, now, 0) {
				if now.Before(x.early) || !now.Before(x.surelyTo) {
					continue
				}
				// One poll without it does not end what is on, and is enough for what was not.
				missed := b.lacking > 0 && (now.Before(b.w.Start) || b.missed.Before(b.on))
				unsure := len(list) > 1 || missed || now.Before(x.sure) || !now.Before(x.ends) || x.s.Guard != nil
				unsure = unsure || x.s.Want.Auto || c.givesWay(ref, x.s.Want.Value)
				if d.whole || slices.Contains(d.devices, ref.Device) || unsure {
					return expectation{}
				}
				claims = append(claims, claim{&b.w, x})
			}
		}
	}
	if len(claims) == 0 {
		return expectation{known: true}
	}
	best := claims[0]
	for _, k := range claims[1:] {
		a, b := c.premises.Procedure(k.w.Procedure), c.premises.Procedure(best.w.Procedure)
		switch {
		case a.Rank != b.Rank:
			if a.Rank > b.Rank {
				best = k
			}
		case k.w.Priority != best.w.Priority:
			if actions.Better(k.w.Priority, best.w.Priority) {
				best = k
			}
		case !k.x.early.Before(best.x.sure) && k.x.early.After(best.x.early):
			best = k
		case !best.x.early.Before(k.x.sure) && best.x.early.After(k.x.early):
		default:
			return expectation{} // too near to tell plainly
		}
	}
	return expectation{known: true, held: true, value: best.x.s.Want.Value, normal: best.x.s.Want.Normal, window: best.w.ID}
}

// settled reports whether nothing that bears on ref has changed for d: no bound of a statement, nothing heard of a window.
func (c *checker) settled(ref actions.Ref, d time.Duration) bool {
	from, to := c.wall().Add(-d), c.wall()
	in := func(t time.Time) bool { return t.After(from) && !t.After(to) }
	if c.t.Sub(c.changed) < d {
		return false
	}
	for _, list := range c.beliefs {
		for _, b := range list {
			if c.t.Sub(b.since) < d {
				return false
			}
			for _, x := range b.spansAt(ref, to, d) {
				if in(x.early) || in(x.sure) || in(x.ends) || in(x.surelyTo) {
					return false
				}
			}
		}
	}
	return true
}

// gaveUp reports whether the program gave a step of the window on the device up. Whether it had to is seen where it did.
func (c *checker) gaveUp(window, device string) bool {
	for _, st := range c.kept.Steps {
		mine := st.Step.Window == window || strings.HasPrefix(st.Step.Hold, window+"-")
		if mine && st.Step.Point.Device == device && (st.State == actions.Failed || st.State == actions.Skipped) {
			return true
		}
	}
	return false
}

// examine compares every device with what is asked of it, where that is plain and nothing is in the way.
func (c *checker) examine() {
	if c.skew != 0 || c.watch {
		return
	}
	for _, s := range c.settings {
		o := c.owners[s.ref]
		if c.blind(o) || !c.quietOn(o.wire) || !c.settled(s.ref, 7*time.Minute) {
			continue
		}
		x := c.expected(s.ref)
		if !x.known {
			continue
		}
		now := c.site.Setting(s.ref)
		switch {
		case x.held && x.normal, x.held && (o.touched(c.t) || o.hand != nil || c.gaveUp(x.window, s.ref.Device)):
		case x.held && s.ref == ref("cylinder.boost"): // ends by itself
		case x.held && c.waitsForStuck(s.ref):
		case x.held && s.ref == ref("van.current") && c.site.Setting(ref("van.control")) != actions.Named("remote"):
		case x.held:
			c.strict++
			if !now.Near(x.value, o.point.Tolerance) {
				c.fail("%s is %s, and %s holds it at %s", s.ref, now, x.window, x.value)
			}
		case !has(o.legit, now) && !c.stuck(s.ref):
			c.fail("%s is %s, nothing holds it, and it belongs at %v", s.ref, now, o.legit)
		default:
			c.strict++
		}
	}
}

// blind reports whether nobody can know what the setting is: it cannot be read, and commands were lost without a word, or
// somebody else moved it last, be it days ago.
func (c *checker) blind(o *owner) bool { return o.point.Read == nil && c.lossy[o.wire] || o.unseen }

// stuck reports whether the box refuses to give the point back: a hand has put the charger in local control, and in that
// it takes no current. The program must go on trying.
func (c *checker) stuck(r actions.Ref) bool {
	control := c.owners[ref("van.control")]
	refuses := c.site.Setting(control.ref) != actions.Named("remote") || c.t.Sub(control.recent[len(control.recent)-1].at) < mostBackoff+2*time.Minute
	return r == ref("van.current") && refuses && c.kept.Points[r].Owed
}

// waitsForStuck reports whether a point waits for power that a box refuses, or cannot be reached, to let go of, and somebody is
// told. DESIGN 5.4: no device takes another's share before the drop is read back.
func (c *checker) waitsForStuck(r actions.Ref) bool {
	if _, told := c.m.troubles["share "+r.String()]; !told {
		return false
	}
	return c.stuck(ref("van.current")) || slices.ContainsFunc(c.settings, func(s setting) bool {
		return c.kept.Points[s.ref].Owed && !c.quietOn(c.owners[s.ref].wire)
	})
}
