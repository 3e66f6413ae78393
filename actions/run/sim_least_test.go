package run

import (
	"math"
	"time"

	"spillway/actions"
	"spillway/actions/house"
)

// Least times are checked as commands reach the device: what was told, when, and what that made of its draw. DESIGN and
// actions/plan/least.go: what lowers a draw, the end of a hold and every return to a normal go on time whatever they break; a
// start, or a higher value, that is no such return waits for min_off and min_hold, and what could not run for min_on is not
// begun.

// A rhythm is how far a point is in its running and resting, by commands; a zero time is long ago, or not by our command.
type rhythm struct {
	began, stopped, set time.Time
	level               float64 // of its device when it began
}

// queuedFor is what the queue of a link may take from a run.
const queuedFor = time.Minute

// switched looks at a setting that was moved.
func (c *checker) switched(o *owner, e house.Entry) {
	d := c.premises.Device(o.ref.Device)
	if d.MinOn == 0 && d.MinOff == 0 && d.MinHold == 0 {
		return
	}
	was, _ := c.draws(o.ref, e.Before)
	is, draws := c.draws(o.ref, e.After)
	was, is = math.Max(0, was), math.Max(0, is) // what is given back is another matter
	switch {
	case !draws:
		return
	case e.Source != house.Command || !e.Effect.Equal(e.At) || c.t.Before(c.liar):
		if is != was || !e.Effect.Equal(e.At) {
			o.rhythm = rhythm{}
		}
		return
	}
	back := o.told.Release && o.told.Phase == actions.PhaseRestore
	x := o.rhythm
	if !back {
		c.startsTooSoon(o, d, e, was, is)
	}
	next := rhythm{began: x.began, stopped: x.stopped, level: x.level}
	switch {
	case was <= 0 && is > 0:
		next.began, next.stopped, next.level = e.At, time.Time{}, c.site.Level(d.Name)
		if back {
			next.began = time.Time{} // what its normal is it may be for as short as it likes
		}
	case was > 0 && is <= 0:
		c.stopsTooSoon(o, d, e)
		next.began, next.stopped = time.Time{}, e.At
	}
	if !back {
		next.set = e.At
	}
	o.rhythm = next
}

// startsTooSoon: what stopped rests for min_off, and what was set stays for min_hold, before it is set higher.
func (c *checker) startsTooSoon(o *owner, d *actions.Device, e house.Entry, was, is float64) {
	x := o.rhythm
	since := func(t time.Time) (time.Duration, bool) { return e.At.Sub(t), !t.IsZero() && !c.calm["clock"].After(t) }
	if rests, known := since(x.stopped); known && was <= 0 && is > 0 {
		c.strict++
		if rests < d.MinOff {
			c.fail("%s = %s comes %s after it was stopped, and its min_off is %s", o.ref, e.After, rests, d.MinOff)
		}
	}
	if stays, known := since(x.set); known && is > was {
		c.strict++
		if stays < d.MinHold {
			c.fail("%s = %s comes %s after %s, and its min_hold is %s", o.ref, e.After, stays, e.Before, d.MinHold)
		}
	}
}

// stopsTooSoon: nothing is begun that is to be stopped before min_on is over. Where something has happened since it began,
// it may have to be.
func (c *checker) stopsTooSoon(o *owner, d *actions.Device, e house.Entry) {
	began := o.rhythm.began
	if began.IsZero() || e.At.Sub(began) >= d.MinOn-queuedFor {
		return
	}
	if c.eventful(o, began.Add(-time.Second)) || c.limited(o, e) {
		return
	}
	// What keeps a tank at its reserve off was let go then, and is back now that it is warm: DESIGN's reserve comes first.
	if d.HasReserve && o.rhythm.level < d.Reserve+2.5 {
		return
	}
	c.fail("%s = %s comes %s after it was begun, and its min_on is %s", o.ref, e.After, e.At.Sub(began), d.MinOn)
}

// limited reports whether what shares had to stop since it would take the premises over the limit by the sums of the newest
// plan: the limit comes first, and what was to be full by now may not be.
func (c *checker) limited(o *owner, e house.Entry) bool {
	if !c.shares(o.ref) {
		return false
	}
	was, _ := c.draws(o.ref, e.Before)
	now := c.wall()
	for _, at := range c.plan.Profile { // the sharing puts stretches of less than a minute together
		if at.From.After(now.Add(queuedFor)) || !at.To.After(now) {
			continue
		}
		sum := c.premises.Supply.OtherLoadsW + was
		for _, x := range c.plan.Profile {
			if x.Device != "" && x.Device != o.ref.Device && !at.From.Before(x.From) && at.From.Before(x.To) {
				sum += 1000 * x.KW
			}
		}
		if sum > c.premises.Supply.LimitW {
			return true
		}
	}
	return false
}

// eventful reports whether, since an instant, anything happened that may end a hold on the point which was to last.
func (c *checker) eventful(o *owner, from time.Time) bool {
	if !c.changed.Before(from) || c.foreign.After(from) || c.bootAt.After(from) {
		return true
	}
	for _, k := range []string{o.wire, "disk", "clock"} {
		if c.calm[k].After(from) {
			return true
		}
	}
	for id, list := range c.beliefs {
		if c.gaveUp(id, o.ref.Device) {
			return true
		}
		for _, b := range list {
			if b.lacking > 0 || b.since.After(from) {
				return true
			}
			for _, x := range b.spans[o.ref] {
				if x.s.Guard != nil && c.wall().After(x.early) && x.surelyTo.After(c.wall().Add(from.Sub(c.t))) {
					return true
				}
			}
		}
	}
	return false
}
