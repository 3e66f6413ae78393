package run

import (
	"slices"
	"strings"
	"time"

	"spillway/actions"
)

// downFor is how long a window that was stood down is remembered: longer than any feed could still show it.
const downFor = 30 * 24 * time.Hour

// giveBack stands down the windows that hold something, wholly or for one device, so that the next plan gives it back
// and does not take it up again.
func (m *Machine) giveBack(now time.Time, g GiveBack) {
	until := map[string]time.Time{}
	for _, w := range m.taken.all() {
		if m.mayHold(w, now) {
			until[w.ID] = w.End.Add(downFor)
		}
	}
	for ref, st := range m.standing.Points {
		if _, known := until[st.Window]; st.Owed && !known && (g.Device == "" || ref.Device == g.Device) {
			until[st.Window] = now.Add(downFor)
		}
	}
	for _, id := range sortedKeys(until) {
		if g.Window != "" && id != g.Window {
			continue
		}
		key := id
		if g.Device != "" {
			key += "/" + g.Device
		}
		m.fact(actions.Entry{Kind: actions.EntryStandDown, At: now, Window: key, Until: until[id]})
	}
	// What is owed is tried at once, whatever pause it was in.
	for id := range m.notBefore {
		if st, ok := m.standing.Steps[id]; ok && st.Step.Release {
			delete(m.notBefore, id)
			delete(m.backoff, id)
		}
	}
	m.dirty = true
}

// standDown calls one window off before or while it is on.
func (m *Machine) standDown(now time.Time, id string) {
	m.fact(actions.Entry{Kind: actions.EntryStandDown, At: now, Window: id, Until: now.Add(downFor)})
	m.dirty = true
}

// windows returns the windows in force without those, and those devices, that were stood down.
func (m *Machine) windows(now time.Time) []actions.Window {
	list := slices.DeleteFunc(m.taken.all(), func(w actions.Window) bool {
		until, down := m.standing.Down[w.ID]
		return down && now.Before(until)
	})
	for id, until := range m.standing.Down {
		window, device, part := strings.Cut(id, "/")
		if !part || !now.Before(until) {
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
