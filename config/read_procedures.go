package config

import (
	"errors"
	"regexp"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/statement"
)

// procedures reads every procedure, by name. The points of p are known by now.
func (l *loader) procedures(top section, p *actions.Premises) []actions.Procedure {
	var all []actions.Procedure
	top.each("procedures", func(name string, s section) {
		q := actions.Procedure{
			Name:      name,
			Match:     s.match(),
			Direction: actions.Direction(s.choice("direction", string(actions.TurnUp), string(actions.TurnDown))),
			Rank:      s.count("rank", -1e6, 1e6),
			Stagger:   s.duration("stagger", 0),
			Longest:   s.duration("longest", time.Minute),
			Expect:    s.text("expect"),
			Terms:     s.settlement(p.Zone),
		}
		q.LeadIn = s.statements("lead_in", actions.PhaseLeadIn, p)
		q.During = s.statements("during", actions.PhaseDuring, p)
		q.Restore = s.statements("restore", actions.PhaseRestore, p)
		s.purpose(&q, p)
		all = append(all, q)
	})
	return all
}

// purpose notes what makes a procedure do less than it seems to.
func (s section) purpose(q *actions.Procedure, p *actions.Premises) {
	if len(q.LeadIn)+len(q.During) == 0 && !s.given("lead_in") && !s.given("during") {
		s.note("during", "is not given: the windows of this procedure do nothing")
	}
	held := map[actions.Ref]bool{}
	for _, st := range append(append([]actions.Statement(nil), q.LeadIn...), q.During...) {
		held[st.Point] = true
		if d := p.Device(st.Point.Device); d != nil && !d.Enabled {
			s.note("during", "%s: %s is not enabled and is left out", st.Text, d.Name)
		}
	}
	for _, st := range q.Restore {
		if !held[st.Point] {
			s.note("restore", "%s: no statement of this procedure holds the point", st.Text)
		}
	}
	if len(q.Terms) > 0 && q.Direction == actions.Neither {
		s.fail("direction", "is missing: settlement counts what is used more (\"turn-up\") or less (\"turn-down\")")
	}
}

// match reads what makes an event a window of the procedure.
func (s section) match() actions.Match {
	m, _ := s.sub("match")
	if !s.given("match") {
		s.fail("match", "is missing: write { title = \"free power\" } or { category = \"surplus\" }")
		return actions.Match{}
	}
	out := actions.Match{Title: m.text("title"), Category: m.text("category"), Feed: m.text("feed")}
	if !m.given("title") && !m.given("category") && !m.given("feed") {
		s.fail("match", "is empty: write title or category, of which either is enough, or a feed of which all events count")
	}
	if out.Feed != "" {
		m.known(m.node("feed"), join(m.path, "feed"), "feed", out.Feed, s.l.all.feeds)
	}
	if out.Title != "" {
		re, err := pattern(out.Title)
		if err != nil {
			m.fail("title", "is no regexp (RE2): %v", strings.TrimPrefix(err.Error(), "error parsing regexp: "))
		}
		out.Pattern = re
	}
	return out
}

// pattern makes a regexp of a title: of /.../ what stands between the strokes, letter case and all, of anything else a
// case-blind substring.
func pattern(title string) (*regexp.Regexp, error) {
	if len(title) > 2 && strings.HasPrefix(title, "/") && strings.HasSuffix(title, "/") {
		return regexp.Compile(title[1 : len(title)-1])
	}
	return regexp.Compile("(?i)" + regexp.QuoteMeta(title))
}

// statements reads one phase of a procedure.
func (s section) statements(name string, phase actions.Phase, p *actions.Premises) []actions.Statement {
	texts, nodes := s.list(name)
	var all []actions.Statement
	var from []*node
	for i, text := range texts {
		raw, err := statement.Parse(text)
		var st actions.Statement
		if err == nil {
			st, err = statement.Resolve(raw, phase, p.Point)
		}
		if err != nil {
			s.failAt(nodes[i], join(s.path, name), "%s", saidOf(err, p))
			continue
		}
		all, from = append(all, st), append(from, nodes[i])
	}
	s.overlaps(name, phase, all, from)
	return all
}

// saidOf puts the nearest name to the fault of a statement that speaks of a point that is not there.
func saidOf(err error, p *actions.Premises) string {
	var e *statement.Error
	if errors.As(err, &e) && e.Unknown != nil {
		with := *e
		with.What = noPoint(*e.Unknown, p)
		return with.Error()
	}
	return err.Error()
}

// overlaps complains of two statements of one phase that would hold one point at the same time.
func (s section) overlaps(name string, phase actions.Phase, all []actions.Statement, from []*node) {
	for i, b := range all {
		for _, a := range all[:i] {
			if a.Point == b.Point && overlap(phase, a, b) && !exclude(a.Guard, b.Guard) {
				s.failAt(from[i], join(s.path, name), "%s is held at the same time by %q: one statement of a phase on a point at a time",
					b.Point, shorten(a.Text))
				break
			}
		}
	}
}

// overlap reports whether the holds of two statements of one phase on one point share an instant. Times are relative to
// the window's start; a lead-in without from counts as sent just before it, and a hold without for outlasts every other.
func overlap(phase actions.Phase, a, b actions.Statement) bool {
	if phase == actions.PhaseRestore {
		return true
	}
	aFrom, aTo := stretch(phase, a)
	bFrom, bTo := stretch(phase, b)
	return aFrom < bTo && bFrom < aTo
}

func stretch(phase actions.Phase, s actions.Statement) (from, to time.Duration) {
	const ever = 1 << 62
	if from = s.From; phase == actions.PhaseLeadIn && !s.HasFrom {
		from = -1
	}
	if to = ever; s.For > 0 {
		to = from + s.For
	}
	return from, to
}

// exclude reports whether two guards can never hold together: they ask the same point for different names or numbers.
func exclude(a, b *actions.Guard) bool {
	if a == nil || b == nil || a.Point != b.Point {
		return false
	}
	if !a.Value.IsNumber() || !b.Value.IsNumber() {
		same := a.Value == b.Value
		return a.Op == "=" && b.Op == "=" && !same || a.Op != b.Op && same
	}
	aLow, aHigh := bounds(*a)
	bLow, bHigh := bounds(*b)
	return above(aLow, bHigh) || above(bLow, aHigh)
}
