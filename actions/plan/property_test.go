package plan

import (
	"math/rand"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"spillway/actions"
)

// DESIGN 5.3: two commands on one link are never closer than its spacing, nor than the wait of the first.
func TestSpacingIsKept(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t, sceneOptions{ranks: 3})
		lastSend := s.Now.Add(-time.Duration(rapid.IntRange(0, 60).Draw(t, "last send")) * time.Second)
		for _, l := range s.Premises.Links {
			s.Standing.Links[l.Name] = actions.LinkStanding{LastSend: lastSend}
		}
		p := Make(s.Input)
		free := map[string]time.Time{}
		for _, l := range s.Premises.Links {
			free[l.Name] = lastSend.Add(l.Spacing)
		}
		for _, x := range p.Steps {
			if x.At.Before(s.Now) {
				t.Fatalf("%s is planned before now", x.ID)
			}
			if x.At.Before(free[x.Link]) {
				t.Fatalf("%s at %s, but the link is free from %s\n%s", x.ID, x.At, free[x.Link], dump(p))
			}
			free[x.Link] = x.At.Add(max(s.Premises.Link(x.Link).Spacing, x.Wait))
		}
	})
}

// After the last window every point is at its normal, or at what its procedure restores it to, and nothing is owed.
func TestEverythingIsGivenBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t, sceneOptions{ranks: 3, noRestore: true})
		e := newExecutor(s)
		p := Make(s.Input)
		e.run(s.Premises, p.Steps, s.Now.AddDate(0, 0, 9))
		for r, v := range s.truth {
			if e.values[r] != v {
				t.Errorf("%s is %s in the end, its normal is %s\n%s", r, e.values[r], v, dump(p))
			}
		}
		for r, st := range e.standing.Points {
			if st.Owed {
				t.Errorf("%s is still owed", r)
			}
		}
	})
}

func TestRestoreStatementsAreTheLastWord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t, sceneOptions{ranks: 3})
		e := newExecutor(s)
		p := Make(s.Input)
		e.run(s.Premises, p.Steps, s.Now.AddDate(0, 0, 9))
		for r, st := range e.standing.Points {
			if st.Owed {
				t.Errorf("%s is still owed\n%s", r, dump(p))
			}
		}
	})
}

// No step writes the value its point has, and every step says truly what the point had.
func TestNoStepWritesWhatThereIs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t, sceneOptions{ranks: 3, noRestore: true})
		p := Make(s.Input)
		have := map[actions.Ref]actions.Value{}
		for r := range s.truth {
			have[r] = s.Premises.Point(r).Normal
			if !have[r].Known {
				have[r] = s.Readings[r].Value
			}
		}
		ids := map[string]bool{}
		for _, x := range p.Steps {
			if ids[x.ID] {
				t.Fatalf("two steps are called %s\n%s", x.ID, dump(p))
			}
			ids[x.ID] = true
			if x.From != have[x.Point] {
				t.Fatalf("%s: from %s, the point shows %s\n%s", x.ID, x.From, have[x.Point], dump(p))
			}
			if x.Value == have[x.Point] {
				t.Fatalf("%s writes %s, which the point has\n%s", x.ID, x.Value, dump(p))
			}
			have[x.Point] = x.Value
		}
	})
}

func TestOrderOfWindowsChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t, sceneOptions{ranks: 2})
		a := Make(s.Input)
		seed := rapid.Int64().Draw(t, "seed")
		s.Windows = slices.Clone(s.Windows)
		rand.New(rand.NewSource(seed)).Shuffle(len(s.Windows), func(i, j int) { s.Windows[i], s.Windows[j] = s.Windows[j], s.Windows[i] })
		b := Make(s.Input)
		if !reflect.DeepEqual(a, b) {
			t.Fatal(cmp.Diff(dump(a), dump(b)))
		}
	})
}

// The value of every point at any instant is that of the strongest hold then on it: a plain search over all holds says so.
func TestValuesAgainstPlainSearch(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t, sceneOptions{ranks: 2})
		p, _ := run(s.Input)
		for _, l := range p.order {
			var times []time.Time
			for _, h := range l.holds {
				times = append(times, h.from, h.to, h.from.Add(time.Second), h.to.Add(-time.Second))
			}
			for _, at := range times {
				if at.Before(s.Now) {
					continue
				}
				if got, want := l.ruler(at), plainRuler(l.holds, at); got != want {
					t.Fatalf("%s at %s: ruled by %v, want %v", l.ref, at, got, want)
				}
			}
		}
	})
}

func sortProcedures(p *actions.Premises) {
	slices.SortFunc(p.Procedures, func(a, b actions.Procedure) int { return strings.Compare(a.Name, b.Name) })
}

func (l *line) ruler(at time.Time) (h *hold) {
	for _, sp := range l.spans {
		if !sp.from.After(at) {
			h = sp.hold
		}
	}
	return h
}

func plainRuler(holds []*hold, at time.Time) (best *hold) {
	for _, h := range holds {
		if h.live && !h.from.After(at) && h.to.After(at) && (best == nil || stronger(h, best)) {
			best = h
		}
	}
	return best
}

// A window of a lower rank changes no value of the others while they hold. Lead-ins whose time is the planner's to choose
// may have to move for the newcomer's commands, so here all have theirs.
func TestLowerRankChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t, sceneOptions{ranks: 2, fixed: true})
		high, _ := run(s.Input)
		low := s.Premises.Procedures[0]
		low.Name, low.Rank = "procedure_low", 0
		s.Premises.Procedures = append(s.Premises.Procedures, low)
		sortProcedures(s.Premises)
		start := s.Now.Add(time.Duration(rapid.IntRange(1, 720).Draw(t, "start")) * time.Minute)
		s.Windows = append(slices.Clone(s.Windows), actions.Window{ID: "low", UID: "low", Procedure: "procedure_low", Start: start,
			End: start.Add(time.Duration(rapid.IntRange(1, 300).Draw(t, "length")) * time.Minute)})
		both, plan := run(s.Input)
		for _, l := range high.order {
			other := both.lines[l.ref]
			for _, h := range l.holds {
				for _, at := range []time.Time{actions.Later(h.from, s.Now), h.to.Add(-time.Second)} {
					a, b := l.ruler(at), other.ruler(at)
					if a == nil || a.st.Want.Normal {
						continue
					}
					if b == nil || l.value(a, at) != other.value(b, at) {
						t.Fatalf("%s at %s: %v was held, now %v\n%s", l.ref, at, a.id, b, dump(plan))
					}
				}
			}
		}
	})
}

// Planning again at any later instant, with the standing that comes of carrying the plan out until then, changes nothing
// of what is left. Left out are lead-ins that are late already (a command may then be named after a stronger hold that has
// begun meanwhile), `for` on lead-ins without `from` (where they move depends on where they end, and that on where they
// move, so that there may be more than one answer), holds at the normal, which nobody sent and no standing knows of, and
// windows that overlap, where of two holds that ask for the same either may be named: TestPlanningOften has them all.
func TestPlanningAgain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t, sceneOptions{ranks: 2, noRestore: true, early: true})
		s.Premises.Supply.LimitW = 0 // what waits for others to let go goes as soon as that is read back, be it sooner than planned
		first := Make(s.Input)
		e := newExecutor(s)
		now := s.Now.Add(time.Duration(rapid.IntRange(0, 4500).Draw(t, "minutes")) * time.Minute)
		if len(first.Steps) > 0 && rapid.Bool().Draw(t, "at a step") {
			now = rapid.SampledFrom(first.Steps).Draw(t, "step").At.Add(time.Duration(rapid.IntRange(0, 3).Draw(t, "after")) * time.Second)
		}
		e.run(s.Premises, first.Steps, now)
		again := s.Input
		again.Now, again.Standing, again.Current, again.Readings = now, e.standing, first, e.look(now, s.Readings)
		second := Make(again)
		var left []actions.Step
		for _, x := range first.Steps {
			if x.At.After(now) {
				left = append(left, x)
			}
		}
		if want, got := short(left, !crowded(first)), short(second.Steps, !crowded(first)); !sameExceptUnknown(want, got) {
			t.Fatalf("at %s (-first +second):\n%s\nfirst %s", now, cmp.Diff(want, got), dump(first))
		}
	})
}

// However often and whenever the plan is made anew, late or not, everything is given back in the end, the links keep their
// spacing, and nothing is sent that is there already.
func TestPlanningOften(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t, sceneOptions{ranks: 2, noRestore: true})
		e := newExecutor(s)
		in := s.Input
		e.check = func(x actions.Step, why string) { t.Fatalf("%s %s: %s", x.At, x.ID, why) }
		for in.Now.Before(s.Now.Add(30 * time.Hour)) {
			in.Standing, in.Readings = e.standing.Clone(), e.look(in.Now, s.Readings)
			in.Current = Make(in)
			next := in.Now.Add(time.Duration(rapid.IntRange(1, 12000).Draw(t, "seconds")) * time.Second)
			if in.Current.Steps == nil {
				break
			}
			e.run(s.Premises, in.Current.Steps, next)
			in.Now = next
		}
		for r, v := range s.truth {
			if e.values[r] != v || e.standing.Points[r].Owed {
				t.Errorf("%s is %s in the end, its normal is %s", r, e.values[r], v)
			}
		}
	})
}
