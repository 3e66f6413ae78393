package page

import (
	"cmp"
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
)

// stateView answers: is anything held now, and is everything as it should be.
type stateView struct {
	Class    string // calm | held | look: also the sign that is drawn
	Head     string
	Lines    []string // a sentence each: until when, and by which window
	Held     []heldRow
	Hands    []string
	Troubles []troubleRow
}

type heldRow struct {
	What  string // "Barn battery: charge at 5 kW"
	By    string // the window
	Since *moment
	Until *moment // when that window lets go of it; nil: it is being put back
	Then  string  // what it has then: its normal, or another window's value
}

type troubleRow struct {
	Where, What string
	Since       *moment
}

func (l *look) stateView() stateView {
	var v stateView
	for _, ref := range l.snap.Owed() {
		v.Held = append(v.Held, l.held(ref))
	}
	v.Hands = l.hands()
	v.Troubles = l.troubles()
	held := count(len(v.Held), "setting is held", "settings are held")
	switch {
	case l.snap.Plan == nil:
		v.Class, v.Head = "look", "The plan is being made"
	case len(v.Troubles) > 0 && len(v.Held) == 0:
		v.Class, v.Head = "look", "Nothing is held, and "+count(len(v.Troubles), "thing needs a look", "things need a look")
	case len(v.Troubles) > 0:
		v.Class, v.Head = "look", held+", and "+count(len(v.Troubles), "thing needs a look", "things need a look")
	case len(v.Held) > 0:
		v.Class, v.Head = "held", held+", as planned"
	default:
		v.Class, v.Head = "calm", "Nothing is held, and all is as it should be"
	}
	v.Lines = l.holders()
	if load := l.load(); load != "" && len(v.Held) > 0 {
		v.Lines = append(v.Lines, load)
	}
	return v
}

// troubles is what is wrong now, as whoever is told of it hears it.
func (l *look) troubles() []troubleRow {
	var list []troubleRow
	if l.p.opt.Faults != nil {
		for _, f := range l.p.opt.Faults(l.snap) {
			list = append(list, troubleRow{clean(f.Where), clean(f.What), l.moment(f.Since)})
		}
		return list
	}
	for _, t := range l.snap.Troubles {
		list = append(list, troubleRow{clean(t.Where), clean(t.What), l.moment(t.Since)})
	}
	return list
}

// load says what the plan draws at this moment, on the phase that carries most.
func (l *look) load() string {
	if l.snap.Plan == nil {
		return ""
	}
	var phase [4]float64
	known := false
	for _, s := range l.snap.Plan.Profile {
		if !l.now.Before(s.From) && l.now.Before(s.To) && s.Phase >= 1 && s.Phase <= 3 {
			phase[s.Phase] += s.KW
			known = true
		}
	}
	if !known {
		return ""
	}
	text := "By the plan " + tenth(slices.Max(phase[:])) + " kW is drawn now"
	if limit := l.p.opt.Premises.Supply.LimitW; limit > 0 {
		text += ", of " + tenth(limit/1000) + " kW"
	}
	if l.p.opt.Premises.Supply.Phases == 3 {
		text += ", on the phase that carries most"
	}
	return text + "."
}

func (l *look) held(ref actions.Ref) heldRow {
	st := l.snap.Standing.Points[ref]
	by, since := l.holder(ref)
	until, next := l.letsGo(ref, by)
	row := heldRow{
		What: clean(actions.Heading(ref.Device) + ": " + l.p.opt.Premises.Say(ref, st.Value)), By: l.title(by),
		Since: l.moment(since), Until: l.moment(until),
	}
	if next != nil && !next.Release && next.Value.Known {
		row.Then = clean(l.p.opt.Premises.SayValue(ref, next.Value)) + ", by " + l.title(l.snap.Plan.HoldWindow(*next))
	} else if n := l.p.normal(l.snap, ref); n.Known {
		row.Then = clean(l.p.opt.Premises.SayValue(ref, n))
	}
	return row
}

// holder returns the id of the window that holds a point now, and since when.
func (l *look) holder(ref actions.Ref) (window string, since time.Time) {
	st := l.snap.Standing.Points[ref]
	if l.snap.Plan == nil {
		return st.Window, st.Since
	}
	return l.snap.Plan.Holder(ref, st, l.p.opt.Premises, l.now)
}

// letsGo returns when window lets go of a point that it holds, zero where that is due already, and the step by which it
// does, nil where none is planned.
func (l *look) letsGo(ref actions.Ref, window string) (time.Time, *actions.Step) {
	if l.snap.Plan == nil {
		return time.Time{}, nil
	}
	if s, ok := l.snap.Plan.LetsGo(ref, window, l.snap.Standing); ok {
		return onlyAhead(s.At, l.now), &s
	}
	if w := l.snap.Plan.Window(window); w != nil {
		return onlyAhead(w.End, l.now), nil
	}
	return time.Time{}, nil
}

func onlyAhead(t, now time.Time) time.Time {
	if t.After(now) {
		return t
	}
	return time.Time{}
}

// holders says of each window that holds something until when: for the other people in the house.
func (l *look) holders() []string {
	type group struct {
		n     int
		until time.Time
		late  bool // some of it is due back already
	}
	by := map[string]*group{}
	for _, ref := range l.snap.Owed() {
		id, _ := l.holder(ref)
		g := by[id]
		if g == nil {
			g = &group{}
			by[id] = g
		}
		at, _ := l.letsGo(ref, id)
		g.n, g.late = g.n+1, g.late || at.IsZero()
		if at.After(g.until) {
			g.until = at
		}
	}
	ids := make([]string, 0, len(by))
	for id := range by {
		ids = append(ids, id)
	}
	slices.SortFunc(ids, func(a, b string) int {
		return cmp.Or(by[a].until.Compare(by[b].until), cmp.Compare(l.title(a), l.title(b)), cmp.Compare(a, b))
	})
	var lines []string
	for _, id := range ids {
		g := by[id]
		line := cmp.Or(l.title(id), "An earlier window") + " holds " + count(g.n, "setting", "settings")
		switch {
		case g.until.IsZero():
			line += ", being put back now"
		case g.late:
			line += ": some are being put back now, the last at " + l.until(g.until)
		default:
			line += " until " + l.until(g.until)
		}
		lines = append(lines, line+".")
	}
	return lines
}

func (l *look) until(t time.Time) string { return l.near(t) + ", " + l.rel(t) }

// hands says what people set while a window held it.
func (l *look) hands() []string {
	var list []string
	for ref, st := range l.snap.Standing.Points {
		if !st.Hand.Known || st.Owed {
			continue
		}
		list = append(list, clean(actions.Heading(ref.Device)+": "+l.p.opt.Premises.Say(ref, st.Hand))+
			". Someone set it, or it went back by itself; it stays so.")
	}
	slices.Sort(list)
	return list
}

type keptWindow = journal.Window

// keptWindows gathers the windows that the journal remembers of the last and the coming days, and their names.
func (l *look) keptWindows() {
	kept, err := l.p.opt.Record.Windows(l, l.now.Add(-logKept), l.now.Add(keptAhead))
	if err != nil {
		l.p.log.Warn("the page lacks past windows: " + err.Error())
	}
	l.kept = kept
	for _, w := range kept {
		l.names[w.ID] = l.windowName(actions.Window{ID: w.ID, Title: w.Title, Procedure: w.Procedure})
	}
}

// logKept is how far back windows are looked up to name the lines of the log.
const logKept = 400 * 24 * time.Hour
