package plan

import (
	"cmp"
	"slices"
	"sort"
	"strings"
	"time"

	"spillway/actions"
)

// Input is everything a plan depends on. Make changes none of it.
type Input struct {
	Premises *actions.Premises
	Windows  []actions.Window // those in force, in any order; one that was called off is simply absent
	Readings actions.Readings
	Standing actions.Standing
	Current  *actions.Plan // the plan made before; nil: none
	Now      time.Time
	// HygieneDue says by device when its hygiene temperature is due again; where that is not known it is left out.
	HygieneDue map[string]time.Time
	To         time.Time // windows that start at To or later are left out; zero: none is
}

// Make returns the plan: steps from Now on, the state and problems of every window, and the power profile from Now on.
func Make(in Input) *actions.Plan {
	p, out := run(in)
	p.release()
	return out
}

const mostMoves = 4

func run(in Input) (*planner, *actions.Plan) {
	p := &planner{
		memory:   memories.Get().(*memory),
		Input:    in,
		premises: in.Premises,
		now:      in.Now.UTC(),
		links:    in.Premises.Links,
		lines:    map[actions.Ref]*line{},
		free:     make([]time.Time, len(in.Premises.Links)),
	}
	p.readSteps()
	p.takeWindows()
	p.addOwed()
	p.sortLines()
	p.keep()
	p.startAuto()
	p.placeLeadIns()
	p.build()
	p.fitLeadIns()
	if p.headroom() {
		p.build()
		p.fitLeadIns()
	}
	if p.share() {
		p.build()
		p.fitLeadIns()
		p.waitForDrops()
		p.shareLonger()
	} else {
		p.dropMissed()
		p.yield()
	}
	if p.trimRooms() {
		p.build()
		p.dropMissed()
		p.nameDrops()
	}
	p.sayMissed()
	p.sayLate()
	p.sayLeast()
	p.sayYields()
	prof := p.profile()
	p.sayRebound(prof)
	return p, p.finish(prof)
}

// fitLeadIns moves lead-ins out of the way of other commands.
func (p *planner) fitLeadIns() {
	// What a moved lead-in ends or makes needless may be in the way of another; it settles at once or hardly ever.
	for range mostMoves {
		p.noteCommands()
		if !p.moveLeadIns() {
			break
		}
		p.build()
	}
}

// A planner is one run of Make.
type planner struct {
	*memory
	Input
	premises *actions.Premises
	now      time.Time
	links    []actions.Link

	windows []*window // by start, then id
	lines   map[actions.Ref]*line
	order   []*line // lines by ref
	claims  int     // how many holds there are

	failed  map[claimed]bool // holds with a step that failed or was skipped
	begun   map[claimed]onset
	renewed map[claimed]time.Time // when a renewal of a hold was tried last
	under   map[claimed]bool      // holds whose value came with the end of a stronger one
	given   map[actions.Ref]given // what points that are owed nothing were told last
	waits   map[string]time.Time  // by link: until when the waits of its commands last
	free    []time.Time           // scratch, by link
	rushes  []*rush               // by link, once asked for; good until lead-ins may move
	spared  bool                  // auto runs are a little longer than they must be
	yields  bool                  // statements with a value wait for power that is let go

	missed []*change // those that cannot be sent in time
}

// A claimed is a hold as the steps of the standing know it. A window that came to another procedure has holds under the ids
// of its old ones, on other points or on the same: what was sent for those says nothing of these.
type claimed struct {
	hold      string
	point     actions.Ref
	procedure string
}

func (h *hold) claimed() claimed { return claimed{h.id, h.line.ref, h.win.Procedure} }

// claimedBy returns the hold that a step of the standing was for. A step that does not say of which procedure is taken to be of
// the one that its hold's window has now.
func (p *planner) claimedBy(s *actions.Step) claimed {
	c := claimed{s.Hold, s.Point, s.Procedure}
	if c.procedure == "" {
		id, _, _ := strings.Cut(s.Hold, "-")
		if i := slices.IndexFunc(p.Windows, func(w actions.Window) bool { return w.ID == id }); i >= 0 {
			c.procedure = p.Windows[i].Procedure
		}
	}
	return c
}

// An onset is the first command of a hold: when it was due, and the start its window had then.
type onset struct {
	due, start time.Time
}

// A given is what a point was given back to, and when.
type given struct {
	value actions.Value
	at    time.Time
}

// hasBegun reports whether a command of the hold was sent, or is on its way, for its window as it is now, and when that
// was due.
func (p *planner) hasBegun(h *hold) (due time.Time, begun bool) {
	b, ok := p.begun[h.claimed()]
	if !ok || !b.start.IsZero() && !b.start.Equal(h.win.Start) {
		return time.Time{}, false
	}
	return b.due, true
}

// readSteps reads from the standing which holds have begun, and which were given up.
func (p *planner) readSteps() {
	if len(p.Standing.Steps) == 0 {
		return
	}
	p.failed, p.begun = map[claimed]bool{}, map[claimed]onset{}
	p.under = map[claimed]bool{}
	p.waits = map[string]time.Time{}
	for _, st := range p.Standing.Steps {
		if st.Step.Wait > 0 && !st.Sent.IsZero() {
			p.waits[st.Step.Link] = actions.Later(p.waits[st.Step.Link], actions.Later(st.Sent, st.Settled).Add(st.Step.Wait))
		}
		id := p.claimedBy(&st.Step)
		if st.Step.Renews {
			p.noteRenewal(id, st)
			continue
		}
		if st.Step.Release && (st.State == actions.Confirmed || st.State == actions.Assumed) {
			p.noteGiven(&st)
		}
		if st.State == actions.Failed || st.State == actions.Skipped {
			if !st.Step.Release {
				p.failed[id] = true
			}
			continue
		}
		if st.Step.Phase == actions.PhaseRestore && !st.Step.Release {
			p.under[id] = true
		}
		if st.Step.Phase == actions.PhaseRestore || st.Tries == 0 && !st.State.Over() {
			continue
		}
		due := st.Step.Due
		if due.IsZero() {
			due = st.Step.At
		}
		if b, ok := p.begun[id]; !ok || st.Step.Start.After(b.start) || st.Step.Start.Equal(b.start) && due.Before(b.due) {
			p.begun[id] = onset{due, st.Step.Start}
		}
	}
}

// noteGiven takes from the standing what a point was given back to.
func (p *planner) noteGiven(st *actions.StepStanding) {
	if g, ok := p.given[st.Step.Point]; ok && !st.Settled.After(g.at) {
		return
	}
	if p.given == nil {
		p.given = map[actions.Ref]given{}
	}
	p.given[st.Step.Point] = given{st.Step.Value, st.Settled}
}

// addOwed makes a line of every point the standing owes a restore, whether or not a window still holds it.
func (p *planner) addOwed() {
	for ref, st := range p.Standing.Points {
		if st.Owed {
			p.line(ref)
		}
	}
}

// line returns the line of the point, made where there is none yet; nil where there is no such point.
func (p *planner) line(ref actions.Ref) *line {
	if l, ok := p.lines[ref]; ok {
		return l
	}
	dev := p.premises.Device(ref.Device)
	if dev == nil {
		return nil
	}
	pt := dev.Point(ref.Point)
	if pt == nil {
		return nil
	}
	l := &line{p: p, ref: ref, dev: dev, devIndex: p.deviceIndex(ref.Device), pt: pt, st: p.Standing.Points[ref], link: p.linkIndex(dev.Link)}
	l.normal = l.normalValue()
	l.zero = p.zeroOf(l)
	p.lines[ref] = l
	return l
}

func (p *planner) linkIndex(name string) int {
	i := sort.Search(len(p.links), func(i int) bool { return p.links[i].Name >= name })
	if i == len(p.links) || p.links[i].Name != name {
		return -1
	}
	return i
}

func (p *planner) deviceIndex(name string) int {
	list := p.premises.Devices
	return sort.Search(len(list), func(i int) bool { return list[i].Name >= name })
}

func (p *planner) sortLines() {
	p.order = make([]*line, 0, len(p.lines))
	for _, l := range p.lines {
		p.claims += len(l.holds)
		p.order = append(p.order, l)
	}
	slices.SortFunc(p.order, func(a, b *line) int { return a.ref.Compare(b.ref) })
}

// finish puts the plan together.
func (p *planner) finish(prof *profile) *actions.Plan {
	out := &actions.Plan{
		At:      p.now,
		Windows: make([]actions.PlannedWindow, 0, len(p.windows)),
		Steps:   make([]actions.Step, 0, len(p.changes)),
		Profile: prof.slices,
	}
	for i, c := range p.changes {
		c.n, c.turn = i, c.at.Sub(p.now)
	}
	slices.SortFunc(p.changes, func(a, b *change) int {
		if c := cmp.Compare(a.turn, b.turn); c != 0 {
			return c
		}
		return a.n - b.n
	})
	for _, c := range p.changes {
		out.Steps = out.Steps[:len(out.Steps)+1]
		c.step(&out.Steps[len(out.Steps)-1])
		if w := c.window; w != nil {
			w.steps(c)
		}
	}
	for _, w := range p.windows {
		out.Windows = append(out.Windows, w.finish(p))
	}
	return out
}
