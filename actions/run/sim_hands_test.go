package run

import (
	"time"

	"spillway/actions"
)

// A handed is what a person set while it was held, once the program must have seen that.
type handed struct {
	at    time.Time // wall
	value actions.Value
}

// noticeIn is by when a hand must have been noticed: two reads of held points, and the exchanges around them.
const noticeIn = 100 * time.Second

// byHand is told of a hand before it moves a setting. Where nothing else is going on, the program must leave what it set
// alone from the moment it must have noticed.
func (c *checker) byHand(r actions.Ref, v actions.Value) {
	o := c.owners[r]
	x := c.expected(r)
	now := c.site.Setting(r)
	// A hand between a reconnect and the next reading looks like a reset (DESIGN 6.4).
	joined := c.rejoined[o.wire].IsZero() || c.t.Sub(c.rejoined[o.wire]) > noticeIn
	plain := joined && x.known && x.held && !x.normal && !o.touched(c.t) && now.Near(x.value, o.point.Tolerance) && !v.Near(now, o.point.Tolerance) &&
		o.point.Read != nil && c.kept.Points[r].Certain && !c.kept.Points[r].Stray.Known &&
		c.quietOn(o.wire) && c.settled(r, 3*time.Minute) && c.skew == 0 && r != ref("cylinder.boost")
	if !plain {
		return
	}
	at, life, foreign := c.t, c.life, c.foreign
	c.always(noticeIn, func() []Event {
		if c.life != life || !c.quietOn(o.wire) || !c.settled(r, noticeIn+time.Minute) || c.foreign.After(at) || foreign.After(at) || c.skew != 0 {
			return nil // something else came between
		}
		if got := c.site.Setting(r); got != v {
			c.fail("%s is %s, and a hand had set it to %s at %s", r, got, v, at.Format("15:04:05"))
			return nil
		}
		o.hand = &handed{at: at.Add(c.skew), value: v}
		o.legit = []actions.Value{v}
		if n := o.point.Normal; n.Known {
			o.legit = add(o.legit, n)
		}
		c.strict++
		return nil
	})
}

// overHand: what a hand set stays as it is while the windows that held the point then are on.
func (c *checker) overHand(o *owner, e Write) {
	if o.hand == nil {
		return
	}
	now := c.wall()
	left := false
	for _, list := range c.beliefs {
		for _, b := range list {
			for _, x := range b.spans[o.ref] {
				switch {
				case now.Before(x.early) || !now.Before(x.surelyTo):
				case x.early.After(o.hand.at):
					o.hand = nil // another window has come
					return
				default:
					left = left || b.lacking == 0 && now.Before(x.ends) && !now.Before(x.sure)
				}
			}
		}
	}
	if left && c.skew == 0 && !e.Value.Near(o.hand.value, o.point.Tolerance) {
		c.fail("%s = %s is sent over what a hand set, %s", o.ref, e.Value, o.hand.value)
	}
	o.hand = nil
}

// dropHands forgets hands on points that no window holds any more: the next hold is another.
func (c *checker) dropHands() {
	now := c.wall()
	for _, o := range c.owners {
		if o.hand == nil {
			continue
		}
		held := false
		for _, list := range c.beliefs {
			for _, b := range list {
				for _, x := range b.spans[o.ref] {
					held = held || !now.Before(x.early) && now.Before(x.surelyTo)
				}
			}
		}
		if !held {
			o.hand = nil
		}
	}
}
