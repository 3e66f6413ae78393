package house

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	"spillway/actions"
)

// A cell is a point as the box behind a link has it: a setting, or a reading (set is nil).
type cell struct {
	ref    actions.Ref
	link   string
	topic  string   // of its state, where the link is a gateway; its commands come on topic + "/set"
	names  []string // the names a setting takes; nil for a number
	lowest float64
	most   float64
	check  func(actions.Value) *refusal // a rule of its own; nil for none
	get    func() actions.Value
	set    func(actions.Value)
	wakes  actions.Value // what the box starts with; neither the normal nor what a plan is likely to hold

	normal actions.Value
	hand   actions.Value // what a person set last
	lie    actions.Value // what it shows while its read-back lies
	told   string        // what was published last
	own    actions.Value // what it goes back to by itself; unknown: it stays as it is
	lent   time.Time     // and when
}

// A refusal is a box's no: an HTTP status and a line.
type refusal struct {
	status int
	why    string
}

// shown returns what the box says the value is.
func (c *cell) shown() actions.Value {
	if c.lie.Known {
		return c.lie
	}
	return c.get()
}

// parse reads what a command asks for, and refuses what the cell cannot be.
func (c *cell) parse(asked string) (actions.Value, *refusal) {
	if c.names != nil {
		if !slices.Contains(c.names, asked) {
			return actions.Value{}, &refusal{422, fmt.Sprintf("%q is none of %v", asked, c.names)}
		}
		return c.allow(actions.Named(asked))
	}
	x, err := strconv.ParseFloat(asked, 64)
	if err != nil {
		return actions.Value{}, &refusal{400, fmt.Sprintf("%q is no number", asked)}
	}
	if !(x >= c.lowest && x <= c.most) {
		return actions.Value{}, &refusal{422, fmt.Sprintf("%v is outside %v to %v", x, c.lowest, c.most)}
	}
	return c.allow(actions.Number(x))
}

func (c *cell) allow(v actions.Value) (actions.Value, *refusal) {
	if c.check != nil {
		if no := c.check(v); no != nil {
			return actions.Value{}, no
		}
	}
	return v, nil
}

// A job is something that happens in the model at a time.
type job struct {
	at time.Time
	do func()
}

// later puts a job on the list, after those of the same time.
func (s *Site) later(at time.Time, do func()) {
	i := len(s.jobs)
	for i > 0 && s.jobs[i-1].at.After(at) {
		i--
	}
	s.jobs = slices.Insert(s.jobs, i, job{at, do})
}

// runJobs does what is due now, and what that brings with it.
func (s *Site) runJobs() {
	for len(s.jobs) > 0 && !s.jobs[0].at.After(s.now) {
		j := s.jobs[0]
		s.jobs = s.jobs[1:]
		j.do()
	}
}
