package config

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/statement"
)

// procedures proves the sums of each procedure.
func (k *checker) procedures() {
	if len(k.p.Procedures) == 0 {
		k.add(Note, "procedures", "write [procedures.NAME] with match and during", "there is no procedure, so no event is a window")
	}
	for i := range k.p.Procedures {
		q := &k.p.Procedures[i]
		where := "procedures." + q.Name
		k.worst(where, q)
		k.leadIn(where, q)
		k.settlement(where, q)
		for _, phase := range [][]actions.Statement{q.LeadIn, q.During} {
			for j := range phase {
				k.guard(where, &phase[j])
				k.current(where, &phase[j])
				k.auto(where, &phase[j])
				k.leastOn(where, &phase[j])
			}
		}
	}
}

// worst holds the explicit draws against the limit.
func (k *checker) worst(where string, q *actions.Procedure) {
	s := &k.p.Supply
	sums := k.p.WorstW(q)
	phase := 0
	for i := range max(1, s.Phases) {
		if sums[i] > sums[phase] {
			phase = i
		}
	}
	on := ""
	if s.Phases == 3 {
		on = fmt.Sprintf(" on phase %d", phase+1)
	}
	switch w := sums[phase]; {
	case s.LimitW <= 0:
		k.add(OK, where, "", "draws %s%s at worst", kw(w), on)
	case w > s.LimitW+1e-6:
		k.add(Amiss, where, "lower a value, or write auto so that it takes what is left", "draws %s%s at worst, %s above the limit of %s", kw(w), on,
			kw(w-s.LimitW), kw(s.LimitW))
	default:
		k.add(OK, where, "", "draws %s%s at worst, of a limit of %s%s", kw(w), on, kw(s.LimitW), k.shares(q, s.LimitW-w))
	}
}

// shares says what is left for auto, where a procedure has it.
func (k *checker) shares(q *actions.Procedure, left float64) string {
	if !slices.ContainsFunc(q.During, func(s actions.Statement) bool { return s.Want.Auto }) {
		return ""
	}
	return "; auto shares at least " + kw(left)
}

// leadIn says how long before a window each link begins, none of its commands being needless and nothing else on it.
func (k *checker) leadIn(where string, q *actions.Procedure) {
	takes := map[string]time.Duration{}
	n := map[string]int{}
	var earliest time.Duration
	for i := range q.LeadIn {
		s := &q.LeadIn[i]
		d := k.p.Device(s.Point.Device)
		if d == nil || !d.Enabled {
			continue
		}
		if s.HasFrom {
			earliest = min(earliest, s.From)
			continue
		}
		l := k.p.Link(d.Link)
		takes[l.Name] += max(l.Spacing, s.Wait, l.Confirm)
		n[l.Name]++
	}
	var parts []string
	for _, name := range sortedKeys(takes) {
		before := takes[name] + k.p.Margin
		earliest = min(earliest, -before)
		parts = append(parts, fmt.Sprintf("%s on %s, from %s before the window", counted(n[name], "command"), name, statement.FormatDuration(before)))
	}
	if len(parts) > 0 {
		k.add(OK, where+".lead_in", "", "%s", strings.Join(parts, "; "))
	}
	if poll := k.slowestPoll(); poll > 0 && earliest < 0 {
		k.add(OK, where+".lead_in", "", "an event must stand in the calendar %s before it begins for the lead-in to be whole", statement.FormatDuration(poll-earliest))
	}
}

func (k *checker) slowestPoll() (d time.Duration) {
	for i := range k.c.Feeds {
		d = max(d, k.c.Feeds[i].Poll)
	}
	return d
}

func sortedKeys(m map[string]time.Duration) []string {
	var all []string
	for key := range m {
		all = append(all, key)
	}
	slices.Sort(all)
	return all
}

// guard finds guards that no reading can satisfy.
func (k *checker) guard(where string, s *actions.Statement) {
	if s.Guard == nil || !s.Guard.Value.IsNumber() {
		return
	}
	p := k.p.Point(s.Guard.Point)
	if p == nil {
		return
	}
	least, most := edge{math.Inf(-1), true}, edge{math.Inf(1), true}
	switch {
	case p.HasRange:
		least, most = edge{at: p.Min}, edge{at: p.Max}
	case p.Unit == "%":
		least, most = edge{at: 0}, edge{at: 100}
	}
	low, high := bounds(*s.Guard)
	if above(low, most) || above(least, high) {
		k.add(Amiss, where, "mend the guard", "%q: the guard can never hold, %s reads %s to %s", s.Text, p.Ref, plain(least.at), plain(most.at))
	}
}

// current finds currents that no vehicle charges with: whole amperes within its range, or 0 (IEC 61851-1).
func (k *checker) current(where string, s *actions.Statement) {
	d := k.p.Device(s.Point.Device)
	p := k.p.Point(s.Point)
	if d == nil || p == nil || d.Kind != actions.Vehicle || p.Unit != "A" || p.Draws.None || !s.Want.Value.IsNumber() {
		return
	}
	least, most := d.CurrentRange()
	if a := s.Want.Value.Number; a != 0 && (a < least || a > most || a != math.Trunc(a)) {
		k.add(Amiss, where, fmt.Sprintf("write 0 A, or whole amperes from %s A to %s A", plain(least), plain(most)),
			"%q: no vehicle charges with that", s.Text)
	}
}

// auto finds shares that nothing bounds, or of points that draw nothing.
func (k *checker) auto(where string, s *actions.Statement) {
	if !s.Want.Auto {
		return
	}
	d, p := k.p.Device(s.Point.Device), k.p.Point(s.Point)
	if d == nil || p == nil {
		return
	}
	if _, draws := k.p.DrawW(d, p, actions.Value{}); !draws {
		k.add(Amiss, where, "write a value; auto is for a point in W, kW or A, or with draws", "%q: nothing says what the point draws", s.Text)
		return
	}
	if _, known := k.p.MaxDrawW(d, p); !known {
		k.add(Amiss, where, "write range at the point or power at the device", "%q: nothing says how much it may draw", s.Text)
	}
}
