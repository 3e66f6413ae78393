package main

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

// A deafBox loses a command that comes sooner than need after the one before, lost ones included.
type deafBox struct {
	mu    sync.Mutex
	need  time.Duration
	value actions.Value
	last  time.Time
	away  bool
	sends int
	// Of the commands that put it back to what it had at first, those that it lost while it had another value.
	first    actions.Value
	lostBack int
}

func (b *deafBox) Write(_ context.Context, _ *actions.Point, v actions.Value) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.sends++
	if b.away {
		return &link.Error{Class: link.Unreachable, What: "box"}
	}
	switch heard := time.Since(b.last) >= b.need; {
	case heard:
		b.value = v
	case v != b.value && v == b.first:
		b.lostBack++
	}
	b.last = time.Now()
	return nil
}

func (b *deafBox) Read(context.Context, *actions.Point) (actions.Value, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.value, nil
}

func (*deafBox) Session() uint64 { return 1 }
func (*deafBox) Close() error    { return nil }

func TestFindSpacing(t *testing.T) {
	for _, c := range []struct {
		need, most  time.Duration
		least, lost time.Duration
		err         error
	}{
		{need: 0, most: 15 * time.Second, least: 0, lost: -1},
		{need: 700 * time.Millisecond, most: 15 * time.Second, least: time.Second, lost: 500 * time.Millisecond},
		{need: 12 * time.Second, most: 30 * time.Second, least: 12 * time.Second, lost: 10 * time.Second},
		{need: 25 * time.Second, most: 30 * time.Second, least: 30 * time.Second, lost: 20 * time.Second},
		// The first pause of each pair fails already: the point does not even go back between two tries.
		{need: 40 * time.Second, most: 30 * time.Second, lost: 30 * time.Second, err: errTooClose},
	} {
		synctest.Test(t, func(t *testing.T) {
			b := &deafBox{need: c.need, value: actions.Named("off")}
			s := &spacer{
				link: b, spec: &actions.Link{Timeout: time.Second, Confirm: 5 * time.Second},
				point: &actions.Point{}, before: actions.Named("off"), value: actions.Named("on"), progress: func(time.Duration, bool) {},
			}
			least, lost, err := s.find(t.Context(), c.most)
			if !errors.Is(err, c.err) || least != c.least || lost != c.lost {
				t.Errorf("need %s: least %s, lost %s, %v; want %s, %s, %v", c.need, least, lost, err, c.least, c.lost, c.err)
			}
			if b.sends > 5*spacingRepeats*3 {
				t.Errorf("need %s: %d commands were sent", c.need, b.sends)
			}
		})
	}
}

func TestFindSpacingEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &deafBox{away: true}
		s := &spacer{link: b, spec: &actions.Link{Timeout: time.Second}, point: &actions.Point{}, progress: func(time.Duration, bool) {}}
		if _, _, err := s.find(t.Context(), time.Second); link.ClassOf(err) != link.Unreachable || b.sends != 1 {
			t.Errorf("a box that is away: %v after %d commands", err, b.sends)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
		defer cancel()
		*b = deafBox{value: actions.Named("off")}
		s.before, s.value, s.spec.Confirm = actions.Named("off"), actions.Named("on"), time.Second
		if _, _, err := s.find(ctx, 30*time.Second); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("an interrupted search: %v", err)
		}
	})
}
