package run

import (
	"slices"
	"strings"
	"time"

	"spillway/actions"
)

// A Trouble is something that is wrong now and that someone should know.
type Trouble struct {
	Key   string // what it is about; one trouble per key
	Where string // point, link, feed, journal or clock
	What  string // one line: what is wrong and what will be or must be done
	Since time.Time
}

type troubles map[string]Trouble

// trouble notes what is wrong under key, and says it once.
func (m *Machine) trouble(key, where, what string) {
	old, known := m.troubles[key]
	if !known {
		m.told("warn", where, what)
		m.changed = true
		old.Since = m.now.Wall
	}
	m.troubles[key] = Trouble{Key: key, Where: where, What: what, Since: old.Since}
}

// clear takes a trouble back, and says so.
func (m *Machine) clear(key string) {
	if t, known := m.troubles[key]; known {
		delete(m.troubles, key)
		m.told("info", t.Where, "in order again")
		m.changed = true
	}
}

// clearIdle takes back the troubles that the plan has left behind: of normals that nobody waits for any more, and of
// restores that are not owed. What is owed and no longer configured is trouble.
func (m *Machine) clearIdle() {
	if len(m.troubles) > 0 {
		planned := map[string]bool{}
		for i := range m.plan.Steps {
			planned[m.plan.Steps[i].Point.String()] = true
		}
		for _, key := range sortedKeys(m.troubles) {
			kind, what, _ := strings.Cut(key, " ")
			switch kind {
			case "normal":
				if !planned[what] {
					m.clear(key)
				}
			case "restore", "share":
				if ref, err := actions.ParseRef(what); err != nil || !planned[what] && !m.standing.Points[ref].Owed {
					m.clear(key)
				}
			}
		}
	}
	for ref, st := range m.standing.Points {
		if p := m.set.Premises.Point(ref); st.Owed && (p == nil || p.Write == nil) {
			m.trouble("restore "+ref.String(), ref.String(), "it is held and must go back to "+st.Normal.String()+
				", but the configuration no longer has it: put it back in")
		}
	}
}

func (m *Machine) told(level, where, what string) {
	m.effects = append(m.effects, Told{Level: level, Where: where, What: what})
}

// A Snapshot is what people and pages are shown. It shares nothing with the machine that changes.
type Snapshot struct {
	At       time.Time
	Plan     *actions.Plan
	Standing actions.Standing
	Readings actions.Readings
	Troubles []Trouble // by key
}

// Snapshot returns how things stand.
func (m *Machine) Snapshot(at time.Time) Snapshot {
	s := Snapshot{At: at, Plan: m.plan, Standing: m.standing.Clone(), Readings: actions.Readings{}}
	for ref, r := range m.readings {
		s.Readings[ref] = r
	}
	for _, t := range m.troubles {
		s.Troubles = append(s.Troubles, t)
	}
	slices.SortFunc(s.Troubles, func(a, b Trouble) int { return strings.Compare(a.Key, b.Key) })
	return s
}

// Owed returns the points that are not back at their normal, in order.
func (s Snapshot) Owed() []actions.Ref {
	var refs []actions.Ref
	for ref, p := range s.Standing.Points {
		if p.Owed {
			refs = append(refs, ref)
		}
	}
	slices.SortFunc(refs, actions.Ref.Compare)
	return refs
}
