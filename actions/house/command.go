package house

import (
	"strings"
	"time"

	"spillway/actions"
)

// An Answer is what a box answers over HTTP. Reply and Why are for callers without HTTP.
type Answer struct {
	Status int    // HTTP; 0 where the box is off: it breaks the conversation off
	Body   string // JSON
	Delay  time.Duration
	Why    string
}

// OK reports whether the box said yes.
func (a Answer) OK() bool { return a.Status >= 200 && a.Status < 300 }

// Publish is what a gateway does with a message that came over the broker: commands are topics that end in /set, and
// nothing is answered.
func (s *Site) Publish(now time.Time, topic, payload string) {
	state, isCommand := strings.CutSuffix(topic, "/set")
	if !isCommand {
		return
	}
	s.Advance(now)
	for _, c := range s.cells {
		if c.set != nil && c.topic == state {
			s.command(c, payload, 0)
			return
		}
	}
	link := LinkBarn
	if strings.HasPrefix(topic, "house/") {
		link = LinkHouse
	}
	s.ledger = append(s.ledger, Entry{At: s.now, Link: link, Asked: topic + " " + payload, Source: Command, Outcome: Refused, Why: "no such topic"})
}

// Write sends a command to a point as its link would, and Read asks for it, for simulations without sockets.
// A command over a gateway is always answered 202, also where it is lost.
func (s *Site) Write(now time.Time, ref actions.Ref, v actions.Value) Answer {
	s.Advance(now)
	c := s.cell(ref)
	if c == nil || c.set == nil {
		return Answer{Status: 404, Why: "no such setting"}
	}
	a := s.command(c, v.String(), 0)
	if c.topic != "" {
		return Answer{Status: 202}
	}
	return a
}

// Read returns what the box says the point is. Over a gateway that is what was published last, also by a gateway that is
// off since.
func (s *Site) Read(now time.Time, ref actions.Ref) (actions.Value, Answer) {
	s.Advance(now)
	c := s.cell(ref)
	switch {
	case c == nil:
		return actions.Value{}, Answer{Status: 404, Why: "no such point"}
	case c.topic == "":
		if s.active(Offline, c.link, c.ref) != nil {
			return actions.Value{}, Answer{}
		}
		return c.shown(), Answer{Status: 200, Delay: s.delay(c.link)}
	}
	v, err := c.parseTold()
	if err {
		return actions.Value{}, Answer{Status: 404, Why: "nothing published"}
	}
	return v, Answer{Status: 200}
}

// command is a command's way through the box to the setting, which keeps the value for lasts; 0: for good.
func (s *Site) command(c *cell, asked string, lasts time.Duration) Answer {
	e := Entry{At: s.now, Link: c.link, Point: c.ref, Asked: asked, Before: c.get(), Source: Command}
	if s.active(Offline, c.link, c.ref) != nil {
		return s.lose(e, "the box is off", Answer{})
	}
	if g := s.gateways[c.link]; g != nil && !g.Hear(s.now) {
		return s.lose(e, "too soon after the last", Answer{})
	}
	delay := s.delay(c.link)
	if s.active(Lose, c.link, c.ref) != nil {
		return s.lose(e, "lost", Answer{Status: 204, Delay: delay})
	}
	v, no := c.parse(asked)
	if no != nil {
		e.Outcome, e.Why = Refused, no.why
		s.ledger = append(s.ledger, e)
		return Answer{Status: no.status, Body: errorBody(no.why), Delay: delay, Why: no.why}
	}
	e.Outcome = Accepted
	s.ledger = append(s.ledger, e)
	s.deliver(c, v, lasts, len(s.ledger)-1)
	if f := s.active(Twice, c.link, c.ref); f != nil {
		s.later(s.now.Add(f.By), func() { s.moveFor(c, v, lasts, Repeat) })
	}
	return Answer{Status: 204, Delay: delay}
}

// deliver moves the setting, now or late, and completes line i of the ledger.
func (s *Site) deliver(c *cell, v actions.Value, lasts time.Duration, i int) {
	effect := func() {
		s.ledger[i].Before = c.get()
		s.put(c, v, lasts)
		s.ledger[i].Effect, s.ledger[i].After = s.now, c.get()
		s.tellSoon(c)
		s.flow()
	}
	if f := s.active(Late, c.link, c.ref); f != nil {
		s.later(s.now.Add(f.By), effect)
		return
	}
	effect()
}

func (s *Site) lose(e Entry, why string, a Answer) Answer {
	e.Outcome, e.Why = Lost, why
	s.ledger = append(s.ledger, e)
	return a
}

// delay returns how long a box thinks before it answers: the boiler house's is slow one time in eight.
func (s *Site) delay(link string) time.Duration {
	var d time.Duration
	if link == LinkBoilerRoom && s.rng.IntN(8) == 0 {
		d = 2*time.Second + time.Duration(s.rng.Int64N(int64(3*time.Second)))
	}
	if f := s.active(Slow, link, actions.Ref{}); f != nil {
		d += f.By
	}
	return d
}

// tellSoon publishes a change, as gateways do, half a second to two seconds after it.
func (s *Site) tellSoon(c *cell) {
	if c.topic == "" {
		return
	}
	d := 500*time.Millisecond + time.Duration(s.rng.Int64N(int64(1500*time.Millisecond)))
	if f := s.active(Slow, c.link, c.ref); f != nil {
		d += f.By
	}
	s.later(s.now.Add(d), func() { s.tell(c) })
}

// tell publishes what the gateway says the point is, where that is news.
func (s *Site) tell(c *cell) {
	if c.topic == "" || s.active(Offline, c.link, c.ref) != nil {
		return
	}
	if now := c.shown().String(); now != c.told {
		c.told = now
		s.outbox = append(s.outbox, Message{c.topic, now})
	}
}

// announce publishes every point of a link ("" for all), as a gateway does when it starts.
func (s *Site) announce(link string) {
	for _, c := range s.cells {
		if link == "" || c.link == link {
			c.told = ""
			s.tell(c)
		}
	}
}

// parseTold reads what was published last.
func (c *cell) parseTold() (v actions.Value, none bool) {
	if c.told == "" {
		return v, true
	}
	if c.names != nil {
		return actions.Named(c.told), false
	}
	v, no := (&cell{lowest: -1e12, most: 1e12}).parse(c.told)
	return v, no != nil
}
