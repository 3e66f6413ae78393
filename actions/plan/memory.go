package plan

import (
	"slices"
	"sync"
	"time"
)

// A memory is what a run needs on the way: for a week of windows hundreds of changes and spans, of which nothing outlives
// the run. Collecting them as garbage costs as much as the planning, so it is used again. No run sees anything of another.
type memory struct {
	slabs  [][]change // what newChange gives out; slab is the one being filled
	slab   int
	spans  []span // what carve gives out: of lines,
	listed []*change
	holds  []hold // and of windows
	held   []*hold

	starts, ends []*hold // of one line
	changes      []*change
	queues       [2][]*change // of one link
	taken        [][]booking  // by link
	dues         []time.Time  // by link
	before       []time.Time  // of one window's lead-ins
	draws        []draw       // of one device
	pieces       []piece
	load         []instant
	edges        []edge
	text         []byte // of one reason
}

var memories = sync.Pool{New: func() any { return new(memory) }}

// release gives the memory back, once nothing of it is looked at any more.
func (m *memory) release() {
	for i := range m.slabs {
		clear(m.slabs[i][:cap(m.slabs[i])])
	}
	clear(m.spans[:cap(m.spans)])
	clear(m.holds[:cap(m.holds)])
	for _, list := range [][]*change{m.listed, m.changes, m.queues[0], m.queues[1]} {
		clear(list[:cap(list)])
	}
	for _, list := range [][]*hold{m.held, m.starts, m.ends} {
		clear(list[:cap(list)])
	}
	m.spans, m.listed, m.holds, m.held = m.spans[:0], m.listed[:0], m.holds[:0], m.held[:0]
	memories.Put(m)
}

// forgetChanges takes back all that newChange has given out.
func (m *memory) forgetChanges() {
	m.slab = 0
	for i := range m.slabs {
		m.slabs[i] = m.slabs[i][:0]
	}
}

// newChange returns a change that is good until forgetChanges. No slab is smaller than least.
func (m *memory) newChange(c change, least int) *change {
	for m.slab < len(m.slabs) && len(m.slabs[m.slab]) == cap(m.slabs[m.slab]) {
		m.slab++
	}
	if m.slab == len(m.slabs) {
		m.slabs = append(m.slabs, make([]change, 0, max(16, least)))
	}
	s := &m.slabs[m.slab]
	*s = append(*s, c)
	return &(*s)[len(*s)-1]
}

// carve returns an empty list with room for n, out of a store.
func carve[T any](store *[]T, n int) []T {
	if cap(*store)-len(*store) < n {
		*store = make([]T, 0, max(n, 2*cap(*store)))
	}
	k := len(*store)
	*store = (*store)[:k+n]
	return (*store)[k : k : k+n]
}

// emptyBookings returns bookings of every link, none taken.
func (m *memory) emptyBookings(links int) [][]booking {
	m.taken = slices.Grow(m.taken[:0], links)[:links]
	for i := range m.taken {
		m.taken[i] = m.taken[i][:0]
	}
	return m.taken
}
