package draw

import "time"

// A mark is a time on the axis with its label.
type mark struct {
	at    time.Time
	label string
}

// marks returns round local times, far enough apart for their labels. At a clock change an hour is missing or comes
// twice, as it does for everyone.
func (d *drawing) marks(p *panel) []mark {
	most := int((p.x1 - p.x0) / 58)
	step := 24 * time.Hour
	for _, s := range []time.Duration{
		time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute,
		time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour,
	} {
		if p.to.Sub(p.from) <= s*time.Duration(most) {
			step = s
			break
		}
	}
	for p.to.Sub(p.from) > step*time.Duration(most) {
		step *= 2 // windows of weeks
	}
	var out []mark
	// Offsets are whole quarters of an hour, so that a finer step than that finds every round local time.
	fine := min(step, 15*time.Minute)
	for t := p.from.Truncate(fine).Add(fine); !t.After(p.to); t = t.Add(fine) {
		local := t.In(d.zone)
		_, offset := local.Zone()
		if (t.Unix()+int64(offset))%int64(step/time.Second) != 0 {
			continue
		}
		label := local.Format("15:04")
		if local.Hour() == 0 && local.Minute() == 0 {
			label = local.Format("Mon 2")
		}
		out = append(out, mark{t, label})
	}
	return out
}

func (d *drawing) grid(p *panel, bottom float64) {
	for _, m := range d.marks(p) {
		d.el("path", "d", "M"+num(p.x(m.at))+" "+num(p.top)+"V"+num(bottom), "class", "rule")
	}
}

// axis writes the local times below the drawing.
func (d *drawing) axis(p *panel) {
	d.el("path", "d", "M"+num(p.x0)+" "+num(d.y)+"H"+num(p.x1), "class", "axis")
	for _, m := range d.marks(p) {
		x := p.x(m.at)
		d.el("path", "d", "M"+num(x)+" "+num(d.y)+"v4", "class", "axis")
		half := width(m.label, 11) / 2
		if x-half > p.x0-20 && x+half < p.x1+gap {
			d.text("text", m.label, "x", x, "y", d.y+16, "class", "small soft mid")
		}
	}
	d.y += 20
	if !d.wide {
		d.phoneLegend(p)
	}
}

func (d *drawing) phoneLegend(p *panel) {
	list := d.slices(p)
	if len(list) == 0 {
		return
	}
	_, fills := d.devices(p)
	var loads []load
	for phase := 1; phase <= 3; phase++ {
		loads = append(loads, loadOf(p, list, phase))
	}
	d.legend(p, loads, fills, d.y+14)
}
