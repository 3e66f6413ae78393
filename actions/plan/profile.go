package plan

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"time"

	"spillway/actions"
)

// A piece is what one device draws, in W over all its phases, from one instant to another.
type piece struct {
	from, to time.Time
	dev      int // index of the device; -1: the rest of the premises
	w        float64
}

// A profile is the power over time.
type profile struct {
	p      *planner
	pieces []piece // by from, then device; those of one device do not overlap
	slices []actions.Slice
	other  [3]float64 // W by phase, of the rest of the premises
	load   []instant

	// Of one window, by device: what it takes, whether it is on the list, and the list.
	wh     []float64
	listed []bool
	list   []int

	unshared bool // leave out what auto statements set, and what gives back
}

// An instant is what the devices draw by phase from t to the next instant.
type instant struct {
	t time.Time
	w [3]float64
}

// profile works out what every device draws from now on, until it is full, its hold ends or the window ends.
func (p *planner) profile() *profile {
	f := &profile{p: p, other: p.otherLoads(), pieces: p.pieces[:0], load: p.load[:0]}
	f.devices()
	f.sum()
	f.energies()
	f.overLimit()
	p.sayUnread()
	p.sayUnfigured()
	f.rest()
	f.publish()
	p.pieces, p.load = f.pieces, f.load
	return f
}

// devices works out what every device draws.
func (f *profile) devices() {
	for i, ls := 0, f.p.order; i < len(ls); {
		j := i
		for j < len(ls) && ls[j].dev == ls[i].dev {
			j++
		}
		f.device(ls[i].dev, ls[i].devIndex, ls[i:j])
		i = j
	}
	slices.SortFunc(f.pieces, comparePieces)
}

func comparePieces(a, b piece) int {
	if c := a.from.Compare(b.from); c != 0 {
		return c
	}
	return a.dev - b.dev
}

// ahead reports whether any of the window is still to come.
func (w *window) ahead(now time.Time) bool {
	return !w.down && w.End.After(now) && w.End.After(w.Start)
}

// device adds the pieces of one device, whose lines these are.
func (f *profile) device(d *actions.Device, index int, lines []*line) {
	all := f.p.draws[:0]
	for _, l := range lines {
		all = l.draws(all)
	}
	f.p.draws = all
	if len(all) == 0 {
		return
	}
	store := f.p.store(d)
	for _, x := range flatten(all, d.PowerW) {
		for _, y := range store.take(x) {
			if f.unshared {
				y.w = math.Max(0, y.w-y.shared)
			}
			if y.w != 0 || !f.unshared {
				f.pieces = append(f.pieces, piece{y.from, y.to, index, y.w})
			}
		}
	}
}

// An edge is where a device's draw changes by w.
type edge struct {
	t   time.Time
	dev int
	w   float64
}

// sum makes the load over time out of the pieces.
func (f *profile) sum() {
	edges := slices.Grow(f.p.edges[:0], 2*len(f.pieces))
	for _, x := range f.pieces {
		edges = append(edges, edge{x.from, x.dev, x.w}, edge{x.to, x.dev, -x.w})
	}
	f.p.edges = edges
	slices.SortFunc(edges, func(a, b edge) int {
		if c := a.t.Compare(b.t); c != 0 {
			return c
		}
		return cmp.Or(a.dev-b.dev, cmp.Compare(a.w, b.w))
	})
	var now [3]float64
	for i, e := range edges {
		phases := f.p.premises.PhasesOf(&f.p.premises.Devices[e.dev])
		for _, ph := range phases {
			now[ph-1] += e.w / float64(len(phases))
		}
		if i+1 < len(edges) && edges[i+1].t.Equal(e.t) {
			continue
		}
		f.load = append(f.load, instant{e.t, now})
	}
}

// energies works out the energy that devices take in every window, and its peak. Each window looks at the pieces in its time
// only: those that are under way as it starts, and those that begin in it.
func (f *profile) energies() {
	var active []piece
	next := 0
	for _, w := range f.p.windows { // by start
		if !w.ahead(f.p.now) {
			continue
		}
		from := actions.Later(w.Start, f.p.now)
		for ; next < len(f.pieces) && f.pieces[next].from.Before(from); next++ {
			active = append(active, f.pieces[next])
		}
		active = slices.DeleteFunc(active, func(x piece) bool { return !x.to.After(from) })
		for _, x := range active {
			f.add(x.dev, x.w*actions.Earlier(x.to, w.End).Sub(from).Hours())
		}
		for _, x := range f.pieces[next:] {
			if !x.from.Before(w.End) {
				break
			}
			f.add(x.dev, x.w*actions.Earlier(x.to, w.End).Sub(x.from).Hours())
		}
		for _, h := range w.holds { // those it holds are listed even where they take nothing
			if _, draws := f.p.premises.DrawW(h.line.dev, h.line.pt, actions.Value{}); draws {
				f.add(h.line.devIndex, 0)
			}
		}
		w.energy, w.peakW = f.added(), f.peak(from, w.End)
	}
}

// add adds to what a device takes in the window being summed up.
func (f *profile) add(dev int, wh float64) {
	if f.wh == nil {
		f.wh = make([]float64, len(f.p.premises.Devices))
		f.listed = make([]bool, len(f.wh))
	}
	if !f.listed[dev] {
		f.listed[dev], f.list = true, append(f.list, dev)
	}
	f.wh[dev] += wh
}

// added returns what was added, by device, and begins anew.
func (f *profile) added() []actions.Energy {
	slices.Sort(f.list) // devices are by name
	out := make([]actions.Energy, 0, len(f.list))
	for _, d := range f.list {
		out = append(out, actions.Energy{Device: f.p.premises.Devices[d].Name, KWh: kw(f.wh[d])})
		f.wh[d], f.listed[d] = 0, false
	}
	f.list = f.list[:0]
	return out
}

// peak returns what the phase carries that carries most between two instants, in W.
func (f *profile) peak(from, to time.Time) float64 {
	most := math.Inf(-1)
	at := func(w [3]float64) {
		for ph := range f.p.phases() {
			most = math.Max(most, w[ph]+f.other[ph])
		}
	}
	k, found := slices.BinarySearchFunc(f.load, from, func(x instant, t time.Time) int { return x.t.Compare(t) })
	switch {
	case found:
	case k > 0:
		at(f.load[k-1].w)
	default:
		at([3]float64{})
	}
	for ; k < len(f.load) && f.load[k].t.Before(to); k++ {
		at(f.load[k].w)
	}
	return most
}

func (p *planner) phases() int {
	if p.premises.Supply.Phases == 3 {
		return 3
	}
	return 1
}

// overLimit says in which windows the explicit draws go over the limit, by how much and when.
func (f *profile) overLimit() {
	limit := f.p.premises.Supply.LimitW
	if limit <= 0 {
		return
	}
	for ph := range f.p.phases() {
		if f.other[ph] > limit+wattSlack {
			for _, w := range f.p.windows {
				if w.ahead(f.p.now) {
					w.say("the other loads alone draw " + kws(f.other[ph]) + onPhase(f.p, ph) + ", over the limit of " + kws(limit))
				}
			}
			continue
		}
		for i := 0; i < len(f.load); i++ {
			if f.load[i].w[ph]+f.other[ph] <= limit+wattSlack {
				continue
			}
			j, most := i, 0.0
			for ; j < len(f.load) && f.load[j].w[ph]+f.other[ph] > limit+wattSlack; j++ {
				most = math.Max(most, f.load[j].w[ph]+f.other[ph])
			}
			f.sayOver(ph, most, f.load[i].t, f.load[j].t) // the last instant draws nothing, so j is in range
			i = j
		}
	}
}

const wattSlack = 0.5 // W; rounding is not worth a word

func (f *profile) sayOver(ph int, most float64, from, to time.Time) {
	limit := f.p.premises.Supply.LimitW
	for _, w := range f.p.windows {
		if !w.ahead(f.p.now) || !w.begins().Before(to) || !w.End.After(from) {
			continue
		}
		w.say("up to " + kws(most) + onPhase(f.p, ph) + " is drawn from " + f.p.clock(from) + " to " + f.p.clock(to) + ", " +
			kws(most-limit) + " over the limit of " + kws(limit))
	}
}

// begins returns when the window's first hold begins.
func (w *window) begins() time.Time {
	at := w.Start
	for _, h := range w.holds {
		if h.live {
			at = actions.Earlier(at, h.from)
		}
	}
	return at
}

func onPhase(p *planner, ph int) string {
	if p.phases() == 1 {
		return ""
	}
	return " on phase " + strconv.Itoa(ph+1)
}

// rest adds the rest of the premises to every window.
func (f *profile) rest() {
	var end time.Time
	for _, w := range f.p.windows { // by start
		if !w.ahead(f.p.now) {
			continue
		}
		from := actions.Later(actions.Later(w.Start, f.p.now), end)
		if from.Before(w.End) {
			f.pieces = append(f.pieces, piece{from: from, to: w.End, dev: -1})
			end = w.End
		}
	}
	slices.SortFunc(f.pieces, comparePieces)
}

// publish makes the slices out of the pieces, one per phase, those that touch and draw the same joined.
func (f *profile) publish() {
	f.slices = make([]actions.Slice, 0, len(f.pieces))
	last := map[[2]int]int{} // by device and phase: index in slices
	for _, x := range f.pieces {
		name, phases := "", []int{1, 2, 3}[:f.p.phases()]
		if x.dev >= 0 {
			d := &f.p.premises.Devices[x.dev]
			name, phases = d.Name, f.p.premises.PhasesOf(d)
		}
		for _, ph := range phases {
			w := x.w / float64(len(phases))
			if x.dev < 0 {
				w = f.other[ph-1]
			}
			key := [2]int{x.dev, ph}
			if i, ok := last[key]; ok && f.slices[i].To.Equal(x.from) && f.slices[i].KW == kwDown(w) {
				f.slices[i].To = x.to
				continue
			}
			last[key] = len(f.slices)
			f.slices = append(f.slices, actions.Slice{From: x.from, To: x.to, Device: name, Phase: ph, KW: kwDown(w)})
		}
	}
}

// kw turns W into kW, Wh into kWh, to the milliwatt.
func kw(w float64) float64 { return math.Round(w*1000) / 1e6 }

// kwDown turns W into kW, to the milliwatt and never up, so that what is written down adds up to no more than the limit.
func kwDown(w float64) float64 { return math.Floor(w*1000+1e-3) / 1e6 }

func kwhs(wh float64) string { return strconv.FormatFloat(math.Round(wh)/1000, 'f', -1, 64) + " kWh" }

func kws(w float64) string { return strconv.FormatFloat(math.Round(w)/1000, 'f', -1, 64) + " kW" }
