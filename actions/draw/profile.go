package draw

import (
	"cmp"
	"math"
	"slices"
	"time"

	"spillway/actions"
)

// slices returns what is drawn in the panel's time.
func (d *drawing) slices(p *panel) []actions.Slice {
	var out []actions.Slice
	for _, s := range d.plan.Profile {
		if s.From.Before(p.to) && p.from.Before(s.To) {
			out = append(out, s)
		}
	}
	return out
}

// A load is the power of one supply phase over time.
type load struct {
	cuts    []time.Time          // where something changes
	devices []string             // "" first, then by name
	kw      map[string][]float64 // by device, one for each stretch between cuts
}

// loadOf gathers the slices of a supply phase.
func loadOf(p *panel, list []actions.Slice, phase int) load {
	l := load{kw: map[string][]float64{}}
	for _, s := range list {
		if s.Phase == phase {
			l.cuts = append(l.cuts, actions.Later(s.From, p.from), actions.Earlier(s.To, p.to))
		}
	}
	slices.SortFunc(l.cuts, time.Time.Compare)
	l.cuts = slices.CompactFunc(l.cuts, time.Time.Equal)
	for _, s := range list {
		if s.Phase != phase {
			continue
		}
		kw := l.kw[s.Device]
		if kw == nil {
			kw = make([]float64, max(len(l.cuts)-1, 0))
			l.kw[s.Device] = kw
			l.devices = append(l.devices, s.Device)
		}
		for i := range kw {
			if !l.cuts[i].Before(s.From) && l.cuts[i].Before(s.To) {
				kw[i] += s.KW
			}
		}
	}
	slices.Sort(l.devices)
	return l
}

// same reports whether two phases carry the same.
func (l load) same(o load) bool {
	return slices.EqualFunc(l.cuts, o.cuts, time.Time.Equal) && slices.Equal(l.devices, o.devices) &&
		!slices.ContainsFunc(l.devices, func(n string) bool { return !slices.Equal(l.kw[n], o.kw[n]) })
}

// bounds returns the lowest and the highest that the stack reaches.
func (l load) bounds() (lo, hi float64) {
	for i := range max(len(l.cuts)-1, 0) {
		var down, up float64
		for _, n := range l.devices {
			down, up = down+math.Min(l.kw[n][i], 0), up+math.Max(l.kw[n][i], 0)
		}
		lo, hi = math.Min(lo, down), math.Max(hi, up)
	}
	return lo, hi
}

// profiles draws the power against the limit, once where all phases carry the same.
func (d *drawing) profiles(p *panel) {
	list := d.slices(p)
	if len(list) == 0 {
		return
	}
	var loads []load
	var names []string
	for phase := 1; phase <= 3; phase++ {
		l := loadOf(p, list, phase)
		if len(l.devices) == 0 || len(loads) > 0 && l.same(loads[0]) {
			continue
		}
		loads = append(loads, l)
		names = append(names, "L"+num(float64(phase)))
	}
	limit := 0.0
	for _, w := range p.windows {
		limit = math.Max(limit, w.LimitKW)
	}
	height := 168.0
	if !d.wide {
		height = 136
	}
	if len(loads) > 1 {
		height = 96
	}
	_, fills := d.devices(p)
	if d.wide {
		d.legend(p, loads, fills, d.y+24)
	}
	for i, l := range loads {
		unit := "kW"
		if len(loads) > 1 {
			unit = names[i] + " kW"
		} else if d.premises.Supply.Phases == 3 {
			unit = "kW/phase"
		}
		d.profile(p, l, limit, height, unit, fills)
		if i < len(loads)-1 {
			d.y += 20
		}
	}
}

// profile draws one stack. What gives power back hangs below zero; the heavy line is the sum.
func (d *drawing) profile(p *panel, l load, limit, height float64, unit string, fills map[string]int) {
	lo, hi := l.bounds()
	hi = math.Max(hi*1.08, limit*1.06)
	if hi == 0 {
		hi = 1
	}
	lo *= 1.08
	top, bottom := d.y, d.y+height
	y := func(kw float64) float64 { return bottom - height*(kw-lo)/(hi-lo) }
	for _, kw := range ticks(lo, hi, height/34) {
		d.el("path", "d", "M"+num(p.x0)+" "+num(y(kw))+"H"+num(p.x1), "class", "rule")
		if y(kw) > top+18 {
			d.text("text", num(kw), "x", p.x0-6, "y", y(kw)+4, "class", "small soft end")
		}
	}
	up, down := make([]float64, len(l.cuts)), make([]float64, len(l.cuts))
	for _, n := range l.devices {
		d.area(p, l, n, up, down, y, fills[n])
	}
	d.net(p, l, y)
	d.el("path", "d", "M"+num(p.x0)+" "+num(y(0))+"H"+num(p.x1), "class", "axis")
	d.el("path", "d", "M"+num(p.x0)+" "+num(top)+"V"+num(bottom), "class", "axis")
	if limit > 0 {
		d.el("path", "d", "M"+num(p.x0)+" "+num(y(limit))+"H"+num(p.x1), "class", "limit")
		d.text("text", "limit "+kilo(limit)+" kW", "x", p.x1-4, "y", y(limit)-5, "class", "small warn halo end")
	}
	if d.wide {
		d.text("text", unit, "x", p.x0-6, "y", top+8, "class", "small soft end")
	} else {
		d.text("text", unit, "x", gap, "y", top-4, "class", "small soft halo")
	}
	d.y = bottom
}

// area draws what one device draws on top of what is below it, and lets the next stand on it.
func (d *drawing) area(p *panel, l load, device string, up, down []float64, y func(float64) float64, fillNo int) {
	var shape path
	for i, kw := range l.kw[device] {
		base := up
		if kw < 0 {
			base = down
		}
		if kw == 0 {
			continue
		}
		x, end := p.x(l.cuts[i]), p.x(l.cuts[i+1])
		shape.move(x, y(base[i]))
		shape.line(x, y(base[i]+kw))
		shape.line(end, y(base[i]+kw))
		shape.line(end, y(base[i]))
		shape.close()
		base[i] += kw
	}
	if s := shape.String(); s != "" {
		d.group("g", func() {
			d.text("title", who(device))
			d.el("path", "d", s, "fill", "url(#"+d.id+"-"+fill(fillNo)+")")
		})
	}
}

func who(device string) string { return cmp.Or(actions.Heading(device), "Other loads") }

func (d *drawing) net(p *panel, l load, y func(float64) float64) {
	var line path
	var before float64
	drawn := false
	for i := range max(len(l.cuts)-1, 0) {
		var sum float64
		for _, n := range l.devices {
			sum += l.kw[n][i]
		}
		x := p.x(l.cuts[i])
		if !drawn || sum != before {
			if drawn {
				line.line(x, y(before))
			} else {
				line.move(x, y(sum))
			}
			line.line(x, y(sum))
		}
		before, drawn = sum, true
	}
	if !drawn {
		return
	}
	line.line(p.x(l.cuts[len(l.cuts)-1]), y(before))
	d.el("path", "d", line.String(), "class", "net")
}

// legend names the fills, from the top of the stack down, at the left of the profile or, on a phone, in rows below it.
func (d *drawing) legend(p *panel, loads []load, fills map[string]int, y float64) {
	var names []string
	for _, l := range loads {
		for _, n := range l.devices {
			if !slices.Contains(names, n) {
				names = append(names, n)
			}
		}
	}
	slices.Sort(names)
	slices.Reverse(names)
	x, right := gap, p.x0-34
	if !d.wide {
		right = p.x1
	}
	for _, n := range names {
		w := width(who(n), 11) + 30
		if d.wide || x+w > right && x > gap {
			if n != names[0] {
				y += lineH
			}
			x = gap
		}
		d.el("rect", "x", x, "y", y-9, "width", 12.0, "height", 12.0, "fill", "url(#"+d.id+"-"+fill(fills[n])+")")
		d.text("text", cut(who(n), 11, right-x-18), "x", x+18, "y", y+1, "class", "small")
		x += w
	}
	if !d.wide {
		d.y = y + 8
	}
}

// ticks returns round values from lo to hi, most of them at most.
func ticks(lo, hi, most float64) []float64 {
	step := 0.1
	for _, s := range []float64{0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000} {
		step = s
		if (hi-lo)/s <= most {
			break
		}
	}
	var out []float64
	for n := math.Ceil(lo / step); n*step <= hi && len(out) < 100; n++ {
		out = append(out, n*step)
	}
	return out
}
