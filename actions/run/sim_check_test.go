package run

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/house"
)

// A checker looks at the devices, and holds the program to its promises. What the program records of itself is used only
// to see that it agrees with what the devices saw, and that nothing was sent that was not recorded first.
type checker struct {
	*world
	bad    []string
	kept   actions.Standing // what would survive now
	owners map[actions.Ref]*owner
	seen   int   // lines of the ledger that were looked at
	late   []int // those of them that have not taken effect yet

	arrived map[string]time.Time // the last command on a link
	calm    map[string]time.Time // by link, "disk" and "clock": when the last disturbance is surely got over
	lossy   map[string]bool      // links on which commands were lost without a word
	liar    time.Time            // until then read-backs and devices may differ
	lying   map[string]time.Time // by link, until when it tells what was before

	rejoined map[string]time.Time // by link, when its broker threw it off last
	foreign  time.Time            // when somebody else last moved a setting
	bootAt   time.Time

	beliefs map[string][]*belief // by window id
	ids     []string             // of them, in order: see believed
	events  int                  // of the last poll that counted,
	heard   []actions.Window     // what it held,
	shown   bool                 // and that was all that is believed
	changed time.Time            // when a belief was added or dropped last
	downed  map[string]down
	over    bool             // the newest plan says that the limit is passed
	told    actions.Readings // what the program was told
	full    map[string]bool  // devices that could take nothing, by that, when the newest plan was made
	plan    *actions.Plan
	sum     float64 // W that the settings draw by their figures
	sent    int
	windows map[string]bool // that were carried out, or begun
	strict  int             // comparisons of a device with what was asked of it
	cold    time.Time       // since when a tank that is held off is below its reserve; zero: it is not
}

// An owner is what people made of one setting, besides what the program does with it.
type owner struct {
	ref    actions.Ref
	point  *actions.Point
	wire   string
	legit  []actions.Value // what it may be at when the program lets go
	ever   []actions.Value // what it was at by anybody's will but the program's
	shown  actions.Value   // what the program was told last
	ours   bool            // the program moved it last, to something that is not legit
	mixed  bool            // somebody else moved it while it was held
	alien  time.Time       // when somebody else moved it last, except for a reset that must be put right
	unseen bool            // somebody else moved it last, and it cannot be read; or it was read as what it was long ago
	resets int             // while the program held it
	hand   *handed
	recent []move
	told   actions.Step // of the last command that was sent
	rhythm rhythm
}

type move struct {
	at time.Time
	v  actions.Value
}

func newChecker(w *world) *checker {
	c := &checker{world: w, kept: actions.NewStanding(), owners: map[actions.Ref]*owner{}, arrived: map[string]time.Time{},
		calm: map[string]time.Time{}, beliefs: map[string][]*belief{}, downed: map[string]down{}, lossy: map[string]bool{}, windows: map[string]bool{},
		told: actions.Readings{}, full: map[string]bool{}, lying: map[string]time.Time{}, rejoined: map[string]time.Time{}, bootAt: w.t}
	for ref, v := range w.site.Normals() {
		o := &owner{ref: ref, point: w.premises.Point(ref), wire: w.premises.Device(ref.Device).Link,
			legit: []actions.Value{v}, ever: []actions.Value{v}, recent: []move{{w.t, v}}}
		c.owners[ref] = o
	}
	return c
}

func (c *checker) fail(format string, args ...any) {
	c.bad = append(c.bad, c.t.Format("02 15:04:05.000 ")+fmt.Sprintf(format, args...))
	c.note("** BROKEN: "+format, args...)
}

// disturbed notes that something is in the way for d. It is got over when the longest pause between two tries has passed
// after it.
func (c *checker) disturbed(what string, d time.Duration) {
	end := c.t.Add(d + mostBackoff + 3*time.Minute)
	c.calm[what] = later(c.calm[what], end)
}

func (c *checker) quietOn(wire string) bool {
	for _, k := range []string{wire, "disk", "clock"} {
		if c.t.Before(c.calm[k]) {
			return false
		}
	}
	return c.m != nil && c.sleeping.IsZero() && c.t.Sub(c.bootAt) > 2*time.Minute
}

func (c *checker) boxFault(f house.Fault) {
	c.disturbed(f.Link, f.For+f.By)
	switch f.Kind {
	case house.Lose, house.Offline, house.Reboot:
		c.lossy[f.Link] = true
	case house.Late, house.Twice, house.Lie, house.Slow:
		c.liar = later(c.liar, c.t.Add(f.For+f.By+time.Minute))
	}
	if f.Kind == house.Lie {
		c.lying[f.Link] = later(c.lying[f.Link], c.t.Add(f.For))
	}
}

func (c *checker) killed(power bool) {
	c.bootAt = c.t.Add(time.Hour) // until it boots
	for id := range c.beliefs {
		c.beliefs[id] = nil
	}
	c.events, c.heard = 0, nil
}

func (c *checker) booted() {
	c.bootAt = c.t
	c.kept = c.journal.Standing()
	for r, st := range c.kept.Points { // what was kept without anybody hearing so
		if o := c.owners[r]; st.Owed && has(o.ever, st.Normal) {
			o.legit = add(o.legit, st.Normal)
		}
	}
}

func (c *checker) sleeps(d time.Duration) { c.disturbed("clock", d) }

// observe looks at what reached the devices since it was called last.
func (c *checker) observe() {
	for _, i := range c.late {
		if e := c.site.LedgerFrom(i)[0]; !e.Effect.IsZero() {
			c.moved(e)
		}
	}
	c.late = slices.DeleteFunc(c.late, func(i int) bool { return !c.site.LedgerFrom(i)[0].Effect.IsZero() })
	for _, e := range c.site.LedgerFrom(c.seen) {
		c.note("-> %s", e)
		nobody := e.Outcome == house.Lost && !c.wires[e.Link].gateway && e.Why == "the box is off"
		if e.Source == house.Command && !nobody {
			c.spacing(e)
		}
		switch {
		case e.Outcome == house.Accepted && e.Effect.IsZero():
			c.late = append(c.late, c.seen)
		case e.Outcome == house.Accepted:
			c.moved(e)
		case e.Outcome == house.Lost && e.Why == "the box is off" && c.told[e.Point].Value.String() == e.Asked &&
			c.site.Setting(e.Point).String() != e.Asked:
			// Its gateway goes on telling the value of long ago that is asked for: the newest message confirms it (DESIGN 3).
			c.owners[e.Point].unseen = true
		}
		c.seen++
	}
	c.restarts()
	c.keeps()
}

// spacing: two commands on one link are never closer than its spacing.
func (c *checker) spacing(e house.Entry) {
	spacing := c.premises.Link(e.Link).Spacing
	if last, ok := c.arrived[e.Link]; ok && e.At.Sub(last) < spacing {
		c.fail("%s came %s after the last command on %s, whose spacing is %s", e.Point, e.At.Sub(last), e.Link, spacing)
	}
	c.arrived[e.Link] = e.At
}

// moved is a setting that has changed, or was set to what it had.
func (c *checker) moved(e house.Entry) {
	o := c.owners[e.Point]
	c.switched(o, e)
	o.recent = append(o.recent, move{c.t, e.After})
	if n := len(o.recent); n > 16 {
		o.recent = o.recent[n-16:]
	}
	switch e.Source {
	case house.Command, house.Repeat:
		o.ours, o.unseen = !has(o.legit, e.After), false
		c.limit(e)
		return
	case house.Itself:
		c.ranOut(o, e)
	case house.Hand, house.Reset:
		c.foreign, o.unseen = c.t, o.point.Read == nil
		// What a box that lies shows only once it has been read after the reconnect is a hand by DESIGN 6.4.
		mustResend := e.Source == house.Reset && o.ours && o.resets == 0 && c.wires[o.wire].gateway && c.kept.Points[e.Point].Certain &&
			!c.t.Before(c.lying[o.wire])
		if mustResend {
			o.resets++
		} else {
			o.alien = c.t
		}
	}
	o.ever = add(o.ever, e.After)
	if o.ours || c.kept.Points[e.Point].Owed || c.kept.Points[e.Point].Normal.Known {
		o.legit, o.mixed = add(o.legit, e.After), true
	} else {
		o.legit = []actions.Value{e.After}
	}
	o.ours = false
	if e.Source == house.Reset {
		o.hand = nil
	}
}

// ranOut: what a window holds is renewed before the box ends it. Where renewals were lost without a word, nobody can tell
// its end from a person's hand.
func (c *checker) ranOut(o *owner, e house.Entry) {
	lasts := o.point.Write.Lasts
	if lasts == 0 {
		return
	}
	if slices.ContainsFunc(c.site.LedgerFrom(0), func(l house.Entry) bool {
		return l.Point == o.ref && l.Outcome == house.Lost && c.t.Sub(l.At) <= lasts
	}) {
		o.alien = c.t
		return
	}
	x := c.expected(o.ref)
	if x.known && x.held && !x.normal && !o.touched(c.t) && c.quietOn(o.wire) && c.settled(o.ref, 7*time.Minute) &&
		!c.gaveUp(x.window, o.ref.Device) && e.After != x.value {
		c.fail("%s went back to %s by itself, and %s holds it at %s", o.ref, e.After, x.window, x.value)
	}
}

// limit: what the settings draw by their figures never passes the supply's limit, unless the plan said so, or somebody
// else had a hand in it.
func (c *checker) limit(e house.Entry) {
	before := c.sum
	limit, sum := c.premises.Supply.LimitW, c.premises.Supply.OtherLoadsW
	for i := range c.premises.Devices {
		sum += c.drawn(&c.premises.Devices[i])
	}
	c.sum = sum
	d, p := c.premises.Device(e.Point.Device), c.premises.Point(e.Point)
	was, _ := c.premises.DrawW(d, p, e.Before)
	is, _ := c.premises.DrawW(d, p, e.After)
	if sum <= limit+1 || sum <= before || is <= was || c.over || c.t.Before(c.liar) || !c.foreign.IsZero() && c.t.Sub(c.foreign) < 3*time.Hour {
		return
	}
	// What is full, or away, draws nothing.
	sum = c.premises.Supply.OtherLoadsW
	now := c.site.Snapshot().DrawW
	if now[d.Name] <= 0 {
		return // this command makes nothing draw more: what is over the limit was so before, and was said then
	}
	for i := range c.premises.Devices {
		d := &c.premises.Devices[i]
		if c.full[d.Name] {
			continue // DESIGN: Sums: it draws until it is full. A box that shows its level rounded may take a little more
		}
		if back := c.givesBack(d); back > 0 {
			sum += max(-back, min(0, now[d.Name])) // the others here draw it: so much less is imported
			continue
		}
		if d.Name == house.HeatPump && c.plannedFull(d) {
			continue // what its floor takes out meanwhile is in no sum, since nothing configures it
		}
		sum += max(0, min(c.drawn(d), now[d.Name]))
	}
	if sum > limit+1 {
		c.fail("%s = %s: %.0f W are drawn, over the limit of %.0f W, and no plan says so", e.Point, e.Asked, sum, limit)
	}
}

// planned looks whether a new plan says that the limit is passed.
func (c *checker) planned(p *actions.Plan) {
	if p == c.plan || p == nil {
		return
	}
	c.plan, c.over = p, false
	clear(c.full)
	for i := range c.premises.Devices {
		d := &c.premises.Devices[i]
		room, known := d.RoomWh(d.LevelNow(c.told), d.Need(c.told))
		c.full[d.Name] = known && room == 0
	}
	for i := range p.Windows {
		for _, problem := range p.Windows[i].Problems {
			c.over = c.over || strings.Contains(problem, "over the limit")
		}
	}
}

// givesBack returns what a device gives back by its settings, as far as the program made it.
func (c *checker) givesBack(d *actions.Device) (w float64) {
	for i := range d.Points {
		p := &d.Points[i]
		if o := c.owners[p.Ref]; o != nil && o.ours {
			x, _ := c.premises.DrawW(d, p, c.site.Setting(p.Ref))
			w -= min(0, x)
		}
	}
	return w
}

// drawn returns what a device draws by its settings, as far as the program made it.
func (c *checker) drawn(d *actions.Device) (w float64) {
	ours := false
	for i := range d.Points {
		p := &d.Points[i]
		o := c.owners[p.Ref]
		if o == nil || !o.ours {
			continue
		}
		// DESIGN: Sums: a battery or vehicle draws from the window's start, not in its lead-in.
		if s := c.kept.Steps[c.kept.Points[p.Ref].Step].Step; d.Kind != actions.Tank && d.Kind != actions.Load && s.Phase == actions.PhaseLeadIn &&
			c.wall().Before(s.Start) {
			continue
		}
		x, _ := c.premises.DrawW(d, p, c.site.Setting(p.Ref))
		w += x
		ours = ours || p.Ref.Point != "charge_power" && p.Ref.Point != "charge_limit"
	}
	if mode := (actions.Ref{Device: d.Name, Point: "mode"}); d.Kind == actions.Battery && d.Point("mode") != nil && c.site.Setting(mode) != actions.Named("charge") || !ours {
		return 0
	}
	return w
}

// sends looks at a command that the program gives to a link.
func (c *checker) sends(e Write) {
	c.sent++
	ref := e.Point.Ref
	o := c.owners[ref]
	st, ok := c.kept.Steps[e.Step]
	o.told = st.Step
	p := c.kept.Points[ref]
	switch {
	case !ok || st.Tries < e.Try || st.Step.Value != e.Value || !p.Owed || p.Value != e.Value:
		c.fail("%s = %s is sent before its intent would survive", ref, e.Value)
	case !p.Normal.Known && !e.Point.Normal.Known && !p.Hand.Known:
		c.fail("%s = %s is sent and its normal was never recorded", ref, e.Value)
	case c.watch:
		c.fail("%s = %s is sent, and the program is only to watch", ref, e.Value)
	case c.wall().Before(c.journal.Newest()):
		c.fail("%s = %s is sent while the clock is behind the journal", ref, e.Value)
	}
	by := c.permits(ref, e.Value)
	if by == nil && !has(o.legit, e.Value) {
		c.fail("%s = %s is sent, and no window asks for it now", ref, e.Value)
	}
	if by != nil {
		c.windows[by.w.ID] = true
	}
	c.tooSoon(o, e)
	c.overHand(o, e)
}

// tooSoon: what a window holds is not given back before its time.
func (c *checker) tooSoon(o *owner, e Write) {
	x := c.expected(o.ref)
	if x.known && x.held && !o.touched(c.t) && c.quietOn(o.wire) && c.settled(o.ref, time.Minute) && !c.gaveUp(x.window, o.ref.Device) &&
		!e.Value.Near(x.value, o.point.Tolerance) && !x.normal {
		c.fail("%s = %s is sent, and %s holds it at %s", o.ref, e.Value, x.window, x.value)
	}
}

// shows is a reading on its way to the program.
func (c *checker) shows(ref actions.Ref, v actions.Value) {
	c.told[ref] = actions.Reading{Value: v, At: c.t}
	if o := c.owners[ref]; o != nil {
		o.shown = v
	}
}

// writes is an entry that the journal kept.
func (c *checker) writes(e actions.Entry) {
	if c.story.on {
		c.note("   journal: %s", entryLine(e))
	}
	switch e.Kind {
	case actions.EntryNormal:
		c.captures(e)
	case actions.EntrySettled:
		c.settles(e)
	case actions.EntryLate: // a hand that set just what a command had asked for is not told from that command
		o := c.owners[e.Point]
		o.legit, o.hand, o.mixed = add(o.legit, c.kept.Points[e.Point].Value), nil, true
	case actions.EntryStandDown:
		c.standsDown(e)
	}
	c.kept.Apply(e)
}

// standsDown: a window is called off, wholly or for a device, or taken up again.
func (c *checker) standsDown(e actions.Entry) {
	id, device, _ := strings.Cut(e.Window, "/")
	d := c.downed[id]
	switch {
	case !e.Until.IsZero():
		d.whole, d.devices = d.whole || device == "", append(d.devices, device)
	case device == "":
		d.whole = false
	default:
		d.devices = slices.DeleteFunc(slices.Clone(d.devices), func(s string) bool { return s == device })
	}
	c.downed[id], c.changed = d, c.t
}

// captures: a normal is what the configuration says, else what the point read as before it was held.
func (c *checker) captures(e actions.Entry) {
	o := c.owners[e.Point]
	if n := o.point.Normal; n.Known {
		if e.Value != n {
			c.fail("%s: %s is recorded as its normal, and the configuration says %s", e.Point, e.Value, n)
		}
		o.legit = add(o.legit, n)
		return
	}
	switch {
	case !has(o.ever, e.Value):
		c.fail("%s: %s is recorded as its normal, which nobody but the program set", e.Point, e.Value)
	case !has(o.legit, e.Value) && o.shown != e.Value && !c.stray(e.Point):
		c.fail("%s: %s is recorded as its normal, and it read as %s", e.Point, e.Value, o.shown)
	}
	o.legit = add(o.legit, e.Value)
}

// underWay reports whether a command to the point has been accepted and not taken effect yet.
func (c *checker) underWay(ref actions.Ref) bool {
	return slices.ContainsFunc(c.late, func(i int) bool { return c.site.LedgerFrom(i)[0].Point == ref })
}

func (c *checker) stray(ref actions.Ref) bool { return c.kept.Points[ref].Stray.Known }

// settles: what the log calls confirmed the device has or just had; what it calls failed had a cause; what it calls given
// back is where it belongs.
func (c *checker) settles(e actions.Entry) {
	ref := e.Step.Point
	o := c.owners[ref]
	st := c.kept.Steps[e.Step.ID]
	sure := !c.t.Before(c.liar) && c.quietOn(o.wire)
	switch e.State {
	case actions.Confirmed:
		if sure && !o.had(e.Step.Value, c.t.Add(-90*time.Second)) {
			c.fail("the log calls %s = %s confirmed, and the device shows %s", ref, e.Step.Value, c.site.Setting(ref))
		}
	case actions.Failed:
		if sure && !st.Step.Release && ref.Device != house.Van && !o.touched(c.t) && !st.Sent.IsZero() && e.Note != overtakenNote {
			c.fail("%s = %s failed, and nothing was in the way: %s", ref, e.Step.Value, e.Note)
		}
	}
	if e.Step.Release && (e.State == actions.Confirmed || e.State == actions.Assumed) {
		if now := c.site.Setting(ref); has(o.legit, now) && !c.underWay(ref) && !c.stray(ref) && !c.kept.Points[ref].Hand.Known {
			o.legit, o.mixed, o.ours, o.resets = []actions.Value{now}, false, false, 0
		}
	}
}

// touched reports whether somebody else moved the setting not long ago.
func (o *owner) touched(now time.Time) bool {
	return !o.alien.IsZero() && now.Sub(o.alien) < 4*time.Hour
}

// had reports whether the setting was at v at some time since from.
func (o *owner) had(v actions.Value, from time.Time) bool {
	for i := len(o.recent) - 1; i >= 0; i-- {
		if o.recent[i].v.Near(v, o.point.Tolerance) {
			return true
		}
		if o.recent[i].at.Before(from) {
			break
		}
	}
	return false
}

func has(list []actions.Value, v actions.Value) bool { return slices.Contains(list, v) }

func add(list []actions.Value, v actions.Value) []actions.Value {
	if has(list, v) {
		return list
	}
	return append(slices.Clone(list), v)
}
