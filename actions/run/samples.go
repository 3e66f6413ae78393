package run

import (
	"slices"
	"time"

	"spillway/actions"
)

// sampleEvery is how often the readings of devices in windows are kept.
const sampleEvery = time.Minute

// A sampler remembers when readings were kept last, and which.
type sampler struct {
	refs []actions.Ref // that are sampled while the newest plan counts, in order
	last time.Duration // Up
	kept map[actions.Ref]time.Time
}

func (s *sampler) next(up time.Duration) time.Duration {
	if len(s.refs) == 0 {
		return wakeAtLeast
	}
	return s.last + sampleEvery - up
}

// sample hands out, each minute while a window is on, what its devices' levels, needs and powers read as, and the whole
// import where it is read. A reading is handed out once; one that is not fresh is not.
func (m *Machine) sample() {
	s := &m.samples
	if len(s.refs) == 0 {
		s.kept = nil
		return
	}
	if s.kept != nil && s.next(m.now.Up) > 0 {
		return
	}
	if s.kept == nil {
		s.kept = map[actions.Ref]time.Time{}
	}
	s.last = m.now.Up
	var list []Sample
	for _, ref := range s.refs {
		r, ok := m.readings[ref]
		if ok && !r.Failed && r.Value.Known && r.At.After(s.kept[ref]) && m.now.Wall.Sub(r.At) < 2*sampleEvery {
			s.kept[ref] = r.At
			list = append(list, Sample{At: r.At, Ref: ref, Value: r.Value})
		}
	}
	if len(list) > 0 {
		m.effects = append(m.effects, Sampled{list})
	}
}

// sampled returns the points that are sampled now, in order.
func (m *Machine) sampled() []actions.Ref {
	var refs []actions.Ref
	for i := range m.plan.Windows {
		w := &m.plan.Windows[i]
		if w.State != actions.Active || !m.now.Wall.Before(w.End) {
			continue
		}
		if o := m.set.Premises.Supply.OtherLoads; o != nil {
			refs = append(refs, *o)
		}
		for s := range m.statements(w) {
			d := m.set.Premises.Device(s.Point.Device)
			if d == nil {
				continue
			}
			for j := range d.Points {
				if p := &d.Points[j]; p.Ref.Point == d.Level || p.Ref.Point == d.NeedPoint || measures(p) {
					refs = append(refs, p.Ref)
				}
			}
		}
	}
	slices.SortFunc(refs, actions.Ref.Compare)
	return slices.Compact(refs)
}
