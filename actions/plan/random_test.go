package plan

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"pgregory.net/rapid"

	"spillway/actions"
)

// A scene is a random input, with what the unread points really have.
type scene struct {
	Input
	truth map[actions.Ref]actions.Value // before anything is sent
}

type sceneOptions struct {
	ranks     int // how many different ranks
	noRestore bool
	fixed     bool // every lead-in has its `from`
	early     bool // nothing is late, no lead-in without from has a `for`, and nothing asks for the normal
}

// Where nothing is to be late, no link is so slow and no hold so short that its commands crowd.
func (o sceneOptions) slowest() int {
	if o.early {
		return 15
	}
	return 60
}

func (o sceneOptions) most() int {
	switch {
	case o.early && !o.fixed:
		return 1
	case o.early:
		return 3
	}
	return 5
}

func (o sceneOptions) shortest() int {
	if o.early {
		return 20
	}
	return 1
}

func drawScene(t *rapid.T, o sceneOptions) scene {
	s := scene{truth: map[actions.Ref]actions.Value{}}
	if o.early {
		o.fixed = rapid.Bool().Draw(t, "every lead-in has its from")
	}
	p := &actions.Premises{Zone: time.UTC, Margin: time.Duration(rapid.SampledFrom([]int{0, 10, 30, 60}).Draw(t, "margin")) * time.Second,
		Supply: actions.Supply{LimitW: 13800, VoltageV: 230, Phases: rapid.SampledFrom([]int{1, 3}).Draw(t, "phases"), OtherLoadsW: 800}}
	for i := range rapid.IntRange(1, 3).Draw(t, "links") {
		p.Links = append(p.Links, actions.Link{Name: fmt.Sprintf("link%d", i), Tries: 3,
			Spacing: time.Duration(rapid.SampledFrom([]int{0, 5, 15, o.slowest()}).Draw(t, "spacing")) * time.Second,
			Confirm: time.Duration(rapid.SampledFrom([]int{1, 10, 30}).Draw(t, "confirm")) * time.Second})
	}
	s.Now = at("06:00")
	s.Readings = actions.Readings{}
	for i := range rapid.IntRange(1, 4).Draw(t, "devices") {
		drawDevice(t, p, i, &s)
	}
	for i := range rapid.IntRange(1, 4).Draw(t, "procedures") {
		p.Procedures = append(p.Procedures, drawProcedure(t, p, i, o))
	}
	for i := range rapid.IntRange(1, o.most()).Draw(t, "windows") {
		start := s.Now.Add(time.Duration(rapid.IntRange(1, 720).Draw(t, "start")) * time.Minute)
		if o.early { // one after another, lead-ins and all
			start = start.Add(time.Duration(4+24*i) * time.Hour)
		}
		s.Windows = append(s.Windows, actions.Window{ID: fmt.Sprintf("w%d", i), UID: fmt.Sprintf("w%d", i), Title: fmt.Sprintf("W%d", i),
			Procedure: rapid.SampledFrom(p.Procedures).Draw(t, "procedure").Name, Start: start,
			End:      start.Add(time.Duration(rapid.IntRange(o.shortest(), 300).Draw(t, "length")) * time.Minute),
			Priority: rapid.SampledFrom([]int{0, 0, 1, 5, 9}).Draw(t, "priority")})
	}
	s.Premises = p
	s.Standing = actions.NewStanding()
	return s
}

func drawDevice(t *rapid.T, p *actions.Premises, i int, s *scene) {
	kind := rapid.SampledFrom([]actions.Kind{actions.Battery, actions.Vehicle, actions.Tank, actions.Load}).Draw(t, "kind")
	d := actions.Device{Name: fmt.Sprintf("device%d", i), Kind: kind, Link: rapid.SampledFrom(p.Links).Draw(t, "link").Name, PowerW: 3000,
		Phase: rapid.IntRange(0, 3).Draw(t, "phase")}
	list := []pt{{name: "a", values: "idle off on"}, {name: "b", unit: "W", max: 5000}, {name: "c", values: "eco off on", normal: "eco"},
		{name: "d", unit: "A", max: 32, normal: "16"}}
	d = device(d, list[:rapid.IntRange(1, len(list)).Draw(t, "points")]...)
	for k := range d.Points {
		x := &d.Points[k]
		truth := x.Normal
		if !truth.Known {
			truth = drawValue(t, x)
		}
		switch {
		case rapid.Bool().Draw(t, "read"):
			s.Readings[x.Ref] = actions.Reading{Value: truth, At: s.Now}
		case x.Normal.Known:
		case len(x.Values) > 0: // a normal nobody knows is none that a statement sets: no plan could tell
			truth = actions.Named("idle")
		default:
			truth = actions.Number(1)
		}
		s.truth[x.Ref] = truth
	}
	p.Devices = append(p.Devices, d)
}

func drawValue(t *rapid.T, p *actions.Point) actions.Value {
	if len(p.Values) > 0 {
		return actions.Named(rapid.SampledFrom([]string{"off", "on"}).Draw(t, "name"))
	}
	return actions.Number(float64(rapid.IntRange(0, 4).Draw(t, "number")) * p.Max / 4)
}

func drawProcedure(t *rapid.T, p *actions.Premises, i int, o sceneOptions) actions.Procedure {
	q := actions.Procedure{Name: fmt.Sprintf("procedure%d", i), Rank: rapid.IntRange(1, max(o.ranks, 1)).Draw(t, "rank")}
	var points []*actions.Point
	for d := range p.Devices {
		for k := range p.Devices[d].Points {
			points = append(points, &p.Devices[d].Points[k])
		}
	}
	minutes := func(name string, most int) time.Duration {
		return time.Duration(rapid.IntRange(o.shortest(), most).Draw(t, name)) * time.Minute
	}
	for _, x := range points {
		s := actions.Statement{Point: x.Ref}
		if rapid.IntRange(0, 2).Draw(t, "lead-in") == 0 {
			s.Want.Value = drawValue(t, x)
			if rapid.Bool().Draw(t, "wait") {
				s.Wait = time.Duration(rapid.IntRange(0, 90).Draw(t, "wait for")) * time.Second
			}
			if s.HasFrom = o.fixed || rapid.IntRange(0, 2).Draw(t, "from?") == 0; s.HasFrom {
				s.From = -minutes("from", 120)
			}
			if (!o.early || s.HasFrom) && rapid.IntRange(0, 3).Draw(t, "for?") == 0 {
				s.For = minutes("for", 60)
			}
			q.LeadIn = append(q.LeadIn, say(s))
		}
		s = actions.Statement{Point: x.Ref}
		if rapid.IntRange(0, 1).Draw(t, "during") == 0 {
			if s.Want.Normal = !o.early && rapid.IntRange(0, 5).Draw(t, "normal") == 0; !s.Want.Normal {
				s.Want.Value = drawValue(t, x)
			}
			if rapid.IntRange(0, 3).Draw(t, "for?") == 0 {
				s.For = minutes("for", 60)
			}
			q.During = append(q.During, say(s))
		}
		if !o.noRestore && rapid.IntRange(0, 9).Draw(t, "restore") == 0 {
			q.Restore = append(q.Restore, say(actions.Statement{Point: x.Ref, Want: actions.Want{Value: drawValue(t, x)}}))
		}
	}
	return q
}

func say(s actions.Statement) actions.Statement {
	s.Text = s.Point.String() + " = " + s.Want.String()
	if s.For > 0 {
		s.Text += " for " + s.For.String()
	}
	return s
}

// An executor carries plans out perfectly, at once and without fail.
type executor struct {
	standing actions.Standing
	values   map[actions.Ref]actions.Value
	check    func(s actions.Step, why string) // told of what must not be; nil: nobody is
}

func newExecutor(s scene) *executor {
	e := &executor{standing: actions.NewStanding(), values: map[actions.Ref]actions.Value{}}
	for r, v := range s.truth {
		e.values[r] = v
	}
	return e
}

// run sends the steps due up to until.
func (e *executor) run(p *actions.Premises, steps []actions.Step, until time.Time) {
	for _, s := range steps {
		if s.At.After(until) {
			continue
		}
		st := e.standing.Points[s.Point]
		if !s.Release && !st.Owed && !st.Normal.Known {
			normal := p.Point(s.Point).Normal
			if !normal.Known {
				normal = e.values[s.Point]
			}
			e.standing.Apply(actions.Entry{Kind: actions.EntryNormal, At: s.At, Point: s.Point, Value: normal})
		}
		if !s.Value.Known {
			s.Value = e.standing.Points[s.Point].Normal
		}
		if e.check != nil {
			if s.Value == e.values[s.Point] && !s.Renews {
				e.check(s, "the point has it")
			}
			if last := e.standing.Links[s.Link].LastSend; s.At.Before(last.Add(p.Link(s.Link).Spacing)) && !last.IsZero() {
				e.check(s, "too soon on its link")
			}
		}
		e.standing.Apply(actions.Entry{Kind: actions.EntryIntent, At: s.At, Step: s, Tries: 1})
		e.standing.Apply(actions.Entry{Kind: actions.EntrySent, At: s.At, Step: s, Until: lentUntil(p, s)})
		e.standing.Apply(actions.Entry{Kind: actions.EntrySettled, At: s.At, Step: s, State: actions.Confirmed, ReadBack: s.Value})
		e.values[s.Point] = s.Value
	}
}

// look makes readings of what every point has.
func (e *executor) look(now time.Time, old actions.Readings) actions.Readings {
	r := actions.Readings{}
	for ref := range old {
		r[ref] = actions.Reading{Value: e.values[ref], At: now}
	}
	return r
}

// short lists steps in one line each, without reasons; a normal not known yet is "?".
func short(steps []actions.Step, named bool) []string {
	var out []string
	for _, s := range steps {
		line := fmt.Sprintf("%s %s=%s ", s.At.Format("01-02 15:04:05"), s.Point, s.Value)
		if named {
			line += fmt.Sprintf("%s %s by %s", s.ID, s.Phase, s.Hold)
		}
		out = append(out, line)
	}
	return out
}

// crowded reports whether two windows are on at the same time.
func crowded(p *actions.Plan) bool {
	for i, w := range p.Windows {
		for _, o := range p.Windows[:i] {
			if w.LeadIn.Before(o.End) {
				return true
			}
		}
	}
	return false
}

func sameExceptUnknown(a, b []string) bool {
	return slices.EqualFunc(a, b, func(x, y string) bool {
		if x == y {
			return true
		}
		head, tail, found := strings.Cut(x, "=? ")
		return found && strings.HasPrefix(y, head+"=") && strings.HasSuffix(y, " "+tail)
	})
}
