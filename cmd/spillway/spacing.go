package main

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"time"

	"spillway/actions"
	"spillway/actions/link"
	"spillway/actions/run"
)

const (
	// spacingRepeats is how often a gap must do before it is believed.
	spacingRepeats = 3
	// spacingMost is tried where the configuration gives no spacing.
	spacingMost = 30 * time.Second
	// spacingLook is how often a point is read back while its spacing is looked for.
	spacingLook = 200 * time.Millisecond
)

// gaps are the spacings looked at, up to most, which is the last.
func gaps(most time.Duration) []time.Duration {
	var list []time.Duration
	for _, ms := range []int{0, 250, 500, 1000, 2000, 3000, 5000, 8000, 10000, 12000, 15000, 20000} {
		if d := time.Duration(ms) * time.Millisecond; d < most {
			list = append(list, d)
		}
	}
	return append(list, most)
}

// A spacer finds out how close two commands on a link may follow one another. It sends what the point has already, and a
// gap later the value to try: a box that needs more time loses the second, and the point keeps what it had. Between two
// such pairs, and before the point is put back, it leaves the box alone for the longest gap.
type spacer struct {
	link          link.Link
	spec          *actions.Link
	point         *actions.Point
	before, value actions.Value
	progress      func(gap time.Duration, ok bool)
}

// find returns the least gap that did every time, and the greatest that failed (below zero: none did). The error is the
// link's, or ctx's.
func (s *spacer) find(ctx context.Context, most time.Duration) (least, lost time.Duration, err error) {
	list := gaps(most)
	// The list is searched by halves: a box that takes commands some time apart takes them further apart too.
	low, high := -1, len(list)
	for high-low > 1 {
		mid := (low + high) / 2
		if low < 0 && high == len(list) {
			mid = len(list) - 1 // what is configured comes first: where it fails nothing shorter needs trying
		}
		ok, err := s.does(ctx, list[mid], most)
		if err != nil {
			return 0, 0, err
		}
		s.progress(list[mid], ok)
		if ok {
			high = mid
			continue
		}
		low = mid
	}
	if high == len(list) {
		return 0, most, errTooClose
	}
	if low < 0 {
		return list[high], -1, nil
	}
	return list[high], list[low], nil
}

// errTooClose says that even the longest gap lost a command.
var errTooClose = errors.New("commands are lost even at the longest gap")

// does reports whether a gap did every time.
func (s *spacer) does(ctx context.Context, gap, rest time.Duration) (bool, error) {
	for range spacingRepeats {
		if err := s.send(ctx, s.before, rest); err != nil {
			return false, err
		}
		if !s.shows(ctx, s.before) {
			return false, fmt.Errorf("%s did not go back to %s between two tries: nothing can be found out this way", s.point.Ref, s.before)
		}
		if err := s.send(ctx, s.before, rest); err != nil {
			return false, err
		}
		if err := s.send(ctx, s.value, gap); err != nil && link.ClassOf(err) == link.Unreachable {
			return false, err
		}
		if !s.shows(ctx, s.value) {
			return false, ctx.Err()
		}
	}
	return true, nil
}

// send waits and then sends, once.
func (s *spacer) send(ctx context.Context, v actions.Value, after time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(after):
	}
	ctx, cancel := context.WithTimeout(ctx, s.spec.Timeout)
	defer cancel()
	return s.link.Write(ctx, s.point, v)
}

// shows reads the point back until it shows v or the time for that is over.
func (s *spacer) shows(ctx context.Context, v actions.Value) bool {
	ctx, cancel := context.WithTimeout(ctx, s.spec.Confirm)
	defer cancel()
	for {
		if got, err := s.link.Read(ctx, s.point); err == nil && got.Near(v, s.point.Tolerance) {
			return true
		}
		select {
		case <-ctx.Done():
			return false
		case <-time.After(spacingLook):
		}
	}
}

// findSpacing runs the spacer under the journal's protection: the point is recorded as held before the first command and
// given back through the runner after the last, or by the next start.
func (a *app) findSpacing(ctx context.Context, t *trial) error {
	return a.findSpacingUpTo(ctx, t, cmp.Or(t.link.Spacing, spacingMost))
}

func (a *app) findSpacingUpTo(ctx context.Context, t *trial, most time.Duration) error {
	if t.point.Read == nil {
		return usagef("--find-spacing: %s has no read, so what is lost cannot be seen: choose another point", t.point.Ref)
	}
	normal := t.before
	if t.point.Normal.Known {
		normal = t.point.Normal
	}
	if t.value.Near(normal, t.point.Tolerance) {
		return usagef("--find-spacing: %s is the normal of %s: try another value", t.said(t.value), t.point.Ref)
	}
	step, err := t.recordHold(ctx, normal)
	if err != nil {
		return err
	}
	rest := max(most, t.link.Confirm)
	fmt.Fprintf(a.talk(), "ok     %s: looking for gaps up to %s; this takes %s at most\n", t.link.Name, most,
		length(max(time.Minute, 5*spacingRepeats*(3*rest+t.link.Confirm))))
	s := &spacer{link: t.links[t.link.Name], spec: t.link, point: t.point, before: normal, value: t.value, progress: func(gap time.Duration, ok bool) {
		outcome := map[bool]string{true: fmt.Sprintf("did, %d times of %d", spacingRepeats, spacingRepeats), false: "lost a command"}
		fmt.Fprintf(a.talk(), "ok     %s: %s apart %s\n", t.link.Name, gap, outcome[ok])
	}}
	least, lost, findErr := s.find(ctx, most)
	t.link.Spacing = most // a box that may need as much is not asked to go back sooner
	if err := t.giveBackHold(context.WithoutCancel(ctx), a, step); err != nil {
		return err
	}
	fmt.Fprintf(a.talk(), "ok     %s: is back at %s\n", t.point.Ref, t.said(normal))
	return a.saySpacing(t, least, lost, findErr)
}

func (a *app) saySpacing(t *trial, least, lost time.Duration, err error) error {
	switch {
	case errors.Is(err, errTooClose):
		return fmt.Errorf("links.%s: %s apart, a command was lost: write a longer spacing, or look whether the box hears at all (--try without --find-spacing)", t.link.Name, lost)
	case errors.Is(err, context.Canceled):
		return errors.New("interrupted: the point was given back")
	case err != nil:
		return fmt.Errorf("links.%s: %w", t.link.Name, err)
	case a.json:
		return printJSON(a.Out, struct {
			Link   string  `json:"link"`
			LeastS float64 `json:"least_s"`
			LostS  float64 `json:"lost_s"` // below zero: nothing was lost
		}{t.link.Name, least.Seconds(), max(lost, -time.Second).Seconds()})
	case lost < 0:
		fmt.Fprintf(a.Out, "ok     %s: lost nothing, even %s apart: no spacing is needed\n", t.link.Name, least)
		return nil
	}
	fmt.Fprintf(a.Out, "ok     %s: commands %s apart arrived, %s apart one was lost: write spacing = %q or somewhat more\n", t.link.Name, least, lost, least)
	return nil
}

// recordHold writes down that the point is held, and what it goes back to, before anything is sent.
func (t *trial) recordHold(ctx context.Context, normal actions.Value) (actions.Step, error) {
	now := run.System{}.Now()
	id := "spacing-" + rand.Text()
	step := actions.Step{ID: id, Window: id, Phase: actions.PhaseDuring, At: now, Link: t.link.Name, Point: t.point.Ref, Value: t.value, From: normal,
		Why: "looking for the spacing of " + t.link.Name}
	return step, t.journal.Write(ctx,
		actions.Entry{Kind: actions.EntryNormal, At: now, Point: t.point.Ref, Value: normal},
		actions.Entry{Kind: actions.EntryIntent, At: now, Step: step, Tries: 1})
}

// giveBackHold records the last send and lets the runner give the point back.
func (t *trial) giveBackHold(ctx context.Context, a *app, step actions.Step) error {
	now := run.System{}.Now()
	if err := t.journal.Write(ctx, actions.Entry{Kind: actions.EntrySent, At: now, Step: step},
		actions.Entry{Kind: actions.EntrySettled, At: now, Step: step, State: actions.Assumed, Note: "sent several times, to find the spacing"}); err != nil {
		return err
	}
	out, err := a.runRestore(ctx, t.cfg, t.journal, t.links, t.device.Name)
	if err == nil && len(out.Owed) > 0 {
		err = fmt.Errorf("%s is not confirmed back yet: look at the device, then run `spillway restore`", t.point.Ref)
	}
	return err
}
