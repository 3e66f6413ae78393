package run

import (
	"slices"
	"strings"
	"time"

	"spillway/actions"
)

// downFor is how long a window that was stood down is remembered after its end: longer than any feed could still show it.
const downFor = 30 * 24 * time.Hour

// giveBack stands down the windows that hold something, wholly or for one device, so that the next plan gives it back
// and does not take it up again.
func (m *Machine) giveBack(g GiveBack) {
	until := map[string]time.Time{}
	for _, w := range m.taken.all() {
		if m.mayHold(w) {
			until[w.ID] = w.End.Add(downFor)
		}
	}
	for ref, st := range m.standing.Points {
		if _, known := until[st.Window]; st.Owed && !known && (g.Device == "" || ref.Device == g.Device) {
			until[st.Window] = m.now.Wall.Add(downFor)
		}
	}
	for _, id := range sortedKeys(until) {
		if id == "" || g.Window != "" && id != g.Window {
			continue
		}
		key := id
		if g.Device != "" {
			key += "/" + g.Device
		}
		m.fact(actions.Entry{Kind: actions.EntryStandDown, At: m.now.Wall, Window: key, Until: until[id]})
	}
	// What is owed is tried at once, whatever pause it was in.
	if m.plan != nil {
		for i := range m.plan.Steps {
			if s := &m.plan.Steps[i]; s.Release {
				delete(m.notBefore, s.ID)
				delete(m.backoff, s.ID)
			}
		}
	}
	m.dirty = true
}

// standDown calls one window off before or while it is on.
func (m *Machine) standDown(id string) {
	until := m.now.Wall
	for _, w := range m.taken.all() {
		if w.ID == id && w.End.After(until) {
			until = w.End
		}
	}
	m.fact(actions.Entry{Kind: actions.EntryStandDown, At: m.now.Wall, Window: id, Until: until.Add(downFor)})
	m.dirty = true
}

// takeUp forgets that a window, or every one, was stood down. What is left of it is joined by the next plan.
func (m *Machine) takeUp(id string) {
	for _, key := range sortedKeys(m.standing.Down) {
		if window, _, _ := strings.Cut(key, "/"); id == "" || window == id {
			m.fact(actions.Entry{Kind: actions.EntryStandDown, At: m.now.Wall, Window: key})
			m.dirty = true
		}
	}
}

// windows returns the windows in force; of those where only a device was stood down, without that device. The planner
// leaves out those that were stood down as a whole, and says so.
func (m *Machine) windows() []actions.Window {
	list := slices.Clone(m.taken.all())
	for _, id := range sortedKeys(m.standing.Down) {
		window, device, part := strings.Cut(id, "/")
		if !part {
			continue
		}
		for i := range list {
			if list[i].ID == window && !slices.Contains(list[i].SkipDevices, device) {
				list[i].SkipDevices = append(slices.Clone(list[i].SkipDevices), device)
				slices.Sort(list[i].SkipDevices)
			}
		}
	}
	return list
}
