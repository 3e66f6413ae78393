package settle

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/meter"
)

// A Part is what one device took in a window, by what was recorded of it. Its figures are for people: they come from the
// device's own readings, not from the meter, and go into no sum.
type Part struct {
	Device string
	KWh    float64 // below zero: given back
	How    string  // what it was worked out from: "measured", "41 to 76 %"
	Left   string  // what was left unused, or why nothing was; "" where that is not known
}

// edge is how far from a window's start and end a reading may be to count as the one there.
const edge = 2*time.Minute + 30*time.Second

// MadeBy returns the devices whose recorded readings tell what they took in the window, the greatest part first. A reading
// of power counts before a level; a device with neither is left out.
func MadeBy(w actions.Window, p *actions.Premises, readings map[actions.Ref][]meter.Sample) []Part {
	var out []Part
	for i := range p.Devices {
		d := &p.Devices[i]
		m := maker{w: w, p: p, d: d, readings: readings}
		if part, ok := m.part(); ok {
			out = append(out, part)
		}
	}
	slices.SortStableFunc(out, func(a, b Part) int { return cmp.Compare(math.Abs(b.KWh), math.Abs(a.KWh)) })
	return out
}

// PeakOf says how near the import came to the supply's limit in the window, by its recorded readings; "" where they do not
// tell or there is no limit.
func PeakOf(w actions.Window, p *actions.Premises, readings map[actions.Ref][]meter.Sample) string {
	ref, limit := p.Supply.OtherLoads, p.Supply.LimitW*float64(max(1, p.Supply.Phases))
	if ref == nil || limit <= 0 || p.Point(*ref) == nil {
		return ""
	}
	per := map[string]float64{"W": 1, "kW": 1000, "A": p.WPerA(p.Device(ref.Device))}[p.Point(*ref).Unit]
	most, n := 0.0, 0
	for _, s := range readings[*ref] {
		if !s.At.Before(w.Start) && s.At.Before(w.End) {
			most, n = math.Max(most, s.Value*per), n+1
		}
	}
	if n < 2 {
		return ""
	}
	kw := func(w float64) string { return actions.FormatQuantity(math.Round(w/100)/10, "kW") }
	return fmt.Sprintf("the import came to %s of the %s allowed", kw(most), kw(limit))
}

type maker struct {
	w        actions.Window
	p        *actions.Premises
	d        *actions.Device
	readings map[actions.Ref][]meter.Sample
}

func (m *maker) part() (Part, bool) {
	first, last, levels := m.span(m.d.Level)
	out := Part{Device: m.d.Name}
	kwh, measured := m.measured()
	byLevel, how, known := 0.0, "", false
	if levels {
		byLevel, how, known = m.byLevel(first.Value, last.Value)
		out.Left = m.left(last)
	}
	switch {
	case measured:
		out.KWh, out.How = kwh, "measured"
		if how != "" {
			out.How += ", " + how
		}
	case known:
		out.KWh, out.How = byLevel, how
	default:
		byNeed, ok := m.byNeed()
		if !ok {
			return out, false
		}
		out.KWh, out.How = byNeed, "by what it still needs"
	}
	return out, true
}

// span returns the readings of one of the device's points at the window's two ends.
func (m *maker) span(point string) (first, last meter.Sample, ok bool) {
	list := m.within(actions.Ref{Device: m.d.Name, Point: point})
	if point == "" || len(list) < 2 {
		return first, last, false
	}
	first, last = list[0], list[len(list)-1]
	return first, last, first.At.Sub(m.w.Start) <= edge && m.w.End.Sub(last.At) <= edge
}

// within returns the readings from shortly before the window to shortly after it, of those before its start only the last.
func (m *maker) within(ref actions.Ref) []meter.Sample {
	var out []meter.Sample
	for _, s := range m.readings[ref] {
		switch {
		case s.At.Before(m.w.Start.Add(-edge)) || s.At.After(m.w.End.Add(edge)):
		case !s.At.After(m.w.Start):
			out = append(out[:0], s)
		case s.At.After(m.w.End) && len(out) > 0 && !out[len(out)-1].At.Before(m.w.End):
		default:
			out = append(out, s)
		}
	}
	return out
}

// measured returns what the points that read the device's power add up to, where they were read all the time.
func (m *maker) measured() (kwh float64, ok bool) {
	for i := range m.d.Points {
		pt := &m.d.Points[i]
		per := map[string]float64{"W": 1, "kW": 1000, "A": m.p.WPerA(m.d)}[pt.Unit]
		list := m.within(pt.Ref)
		whole := m.p.Supply.OtherLoads != nil && *m.p.Supply.OtherLoads == pt.Ref // the import, and no device's
		if pt.Write != nil || per == 0 || len(list) < 2 || whole {
			continue
		}
		e, whole := integral(list, m.w.Start, m.w.End)
		if !whole {
			return 0, false
		}
		kwh, ok = kwh+e*per/1000, true
	}
	return kwh, ok
}

// integral returns the area under the readings from one instant to another in value-hours; before the first and after the
// last the value counts as it was read there. whole is false where two readings are too far apart.
func integral(list []meter.Sample, from, to time.Time) (area float64, whole bool) {
	n := len(list)
	if list[0].At.Sub(from) > edge || to.Sub(list[n-1].At) > edge {
		return 0, false
	}
	padded := slices.Concat([]meter.Sample{{At: actions.Earlier(from, list[0].At), Value: list[0].Value}}, list, []meter.Sample{{At: actions.Later(to, list[n-1].At), Value: list[n-1].Value}})
	for i := 1; i < len(padded); i++ {
		a, b := padded[i-1], padded[i]
		length := b.At.Sub(a.At)
		if length > meter.MostApart {
			return 0, false
		}
		start, end := actions.Later(a.At, from), actions.Earlier(b.At, to)
		if length <= 0 || !start.Before(end) {
			continue
		}
		at := func(t time.Time) float64 { return a.Value + (b.Value-a.Value)*float64(t.Sub(a.At))/float64(length) }
		area += (at(start) + at(end)) / 2 * end.Sub(start).Hours()
	}
	return area, true
}

// byLevel returns what a change of level took (DESIGN, Sums: what draws, and how much). That of a tank says nothing of the
// water that was used meanwhile, so it counts where it rose only.
func (m *maker) byLevel(from, to float64) (kwh float64, how string, known bool) {
	d := m.d
	how = fmt.Sprintf("%s to %s", actions.FormatQuantity(from, ""), actions.FormatQuantity(to, "%"))
	switch d.Kind {
	case actions.Battery, actions.Vehicle:
		if kwh = d.CapacityWh * (to - from) / 100 / 1000; kwh > 0 && d.Efficiency > 0 {
			kwh /= d.Efficiency
		}
		return kwh, how, d.CapacityWh > 0
	case actions.Tank:
		how = fmt.Sprintf("%s to %s", actions.FormatQuantity(from, ""), actions.FormatQuantity(to, "°C"))
		kwh = d.VolumeL * actions.WaterWhPerLK * (to - from) / 1000
		if d.COP > 0 {
			kwh /= d.COP
		}
		return kwh, how, d.VolumeL > 0 && to > from
	}
	return 0, how, false
}

// byNeed returns by how much what the device needs became less.
func (m *maker) byNeed() (kwh float64, ok bool) {
	first, last, ok := m.span(m.d.NeedPoint)
	pt := m.d.Point(m.d.NeedPoint)
	if !ok || pt == nil {
		return 0, false
	}
	per := 1.0
	if pt.Unit == "Wh" {
		per = 1000
	}
	return (first.Value - last.Value) / per, true
}

// left says what could still have been taken at the end, or since when nothing could.
func (m *maker) left(last meter.Sample) string {
	target := m.d.Target
	if m.d.Kind != actions.Tank && !m.d.HasTarget {
		target = 100
	}
	if target == 0 {
		return ""
	}
	for _, s := range m.within(actions.Ref{Device: m.d.Name, Point: m.d.Level}) {
		if s.Value >= target-0.5 {
			if !s.At.After(m.w.Start.Add(edge)) {
				return "full from the start"
			}
			return "full " + span(m.w.End.Sub(s.At)) + " before the end"
		}
	}
	if room, _, known := m.byLevel(last.Value, target); known && room > 0.05 {
		return "room for " + actions.FormatQuantity(math.Round(room*10)/10, "kWh") + " more"
	}
	return ""
}

// span writes a length of time to the minute.
func span(d time.Duration) string {
	return fmt.Sprintf("%d min", max(0, int(d.Round(time.Minute)/time.Minute)))
}

// madeLine names the parts, and how near the limit was, in one line; "" where there are none.
func madeLine(parts []Part, peak string) string {
	var list []string
	for _, p := range parts {
		how := p.How
		if p.Left != "" {
			how += ", " + p.Left
		}
		list = append(list, fmt.Sprintf("%s %s (%s)", actions.Plain(p.Device), actions.FormatQuantity(math.Round(p.KWh*10)/10, "kWh"), how))
	}
	if peak != "" {
		list = append(list, peak)
	}
	if len(list) == 0 {
		return ""
	}
	return "by the devices' own readings: " + strings.Join(list, "; ")
}
