package plan

import (
	"sort"
	"time"

	"spillway/actions"
)

// An autoValue is what auto comes to from an instant on.
type autoValue struct {
	at    time.Time
	value actions.Value
	full  bool // it takes less because it is planned to be full by then
}

// autoOf returns what the auto of h comes to, by time: as much as there is, or in a turn-down window as little as can be.
func (l *line) autoOf(h *hold) *[]autoValue {
	if h.win.shares() {
		return &l.auto
	}
	return &l.down
}

// autoAt returns what the auto of h comes to at t.
func (l *line) autoAt(h *hold, t time.Time) actions.Value { return l.autoIn(*l.autoOf(h), t) }

// autoIn returns which of the values counts at t.
func (l *line) autoIn(list []autoValue, t time.Time) actions.Value {
	i := sort.Search(len(list), func(i int) bool { return list[i].at.After(t) })
	if i == 0 {
		return l.zero
	}
	return list[i-1].value
}

// autoChange returns when auto next comes to something else than at t, while h rules; zero: it does not.
func (l *line) autoChange(h *hold, t time.Time) time.Time {
	if h != nil && h.room != nil {
		return h.room.next(t)
	}
	if h == nil || !h.st.Want.Auto {
		return time.Time{}
	}
	if t.Before(h.win.start) {
		return h.win.start
	}
	list := *l.autoOf(h)
	i := sort.Search(len(list), func(i int) bool { return list[i].at.After(t) })
	if i == len(list) {
		return time.Time{}
	}
	return list[i].at
}
