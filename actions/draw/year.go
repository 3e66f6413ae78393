package draw

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"spillway/actions"
)

// A Year is what the windows of one year came to.
type Year struct {
	Year   int
	Months []YearMonth
}

// A YearMonth is what the windows of one procedure in one month came to, as far as they are paid in one currency. Several
// of one month stand on each other.
type YearMonth struct {
	Month            time.Month
	Procedure        string
	Windows          int
	KWh              float64 // gained
	Currency         string  // "" where nothing is paid
	Credit, Received float64
}

// YearOptions say how a year is drawn. What they share with [Options] means the same.
type YearOptions struct {
	Width   int
	NoStyle bool
	ID      string // "" is "year"
}

// YearSVG returns the drawing of a year: the gain of each month by procedure, and below it, for each currency, the credit
// expected and the credit received.
func YearSVG(y Year, opt YearOptions) []byte {
	opt.Width = max(cmp.Or(opt.Width, 1100), leastWide)
	d := &yearDrawing{sheet: sheet{id: cmp.Or(opt.ID, "year")}, year: y, opt: opt, y: gap, x0: gap + 44, x1: float64(opt.Width) - gap}
	for _, m := range y.Months {
		if !slices.Contains(d.procedures, m.Procedure) {
			d.procedures = append(d.procedures, m.Procedure)
		}
		if m.Currency != "" && !slices.Contains(d.currencies, m.Currency) {
			d.currencies = append(d.currencies, m.Currency)
		}
	}
	slices.Sort(d.procedures)
	slices.Sort(d.currencies)
	d.heading()
	d.gains()
	for _, c := range d.currencies {
		d.credits(c)
	}
	return []byte(d.finish())
}

type yearDrawing struct {
	sheet
	year       Year
	opt        YearOptions
	procedures []string // by name; their fills are 1 and on
	currencies []string
	x0, x1, y  float64
}

func (d *yearDrawing) title() string {
	return strconv.Itoa(d.year.Year) + ": gain and credit by month"
}

// sums says what the year came to, a part for the gain and one for each currency.
func (d *yearDrawing) sums() []string {
	windows, kwh := 0, 0.0
	for _, m := range d.year.Months {
		windows, kwh = windows+m.Windows, kwh+m.KWh
	}
	parts := []string{fmt.Sprintf("%s, %s kWh gained", counted(windows, "window"), kilo(kwh))}
	for _, c := range d.currencies {
		expected, received := 0.0, 0.0
		for _, m := range d.year.Months {
			if m.Currency == c {
				expected, received = expected+m.Credit, received+m.Received
			}
		}
		parts = append(parts, fmt.Sprintf("%s %s expected, %s received", amount(expected), c, amount(received)))
	}
	return parts
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return strconv.Itoa(n) + " " + what + "s"
}

// amount writes money to a hundredth.
func amount(x float64) string { return strconv.FormatFloat(x, 'f', 2, 64) }

// describe says in words what the drawing shows.
func (d *yearDrawing) describe() string {
	s := []string{strings.Join(d.sums(), "; ") + "."}
	for _, m := range d.year.Months {
		line := fmt.Sprintf("%s, %s: %s, %s kWh", m.Month, actions.Plain(m.Procedure), counted(m.Windows, "window"), kilo(m.KWh))
		if m.Currency != "" {
			line += fmt.Sprintf(", %s %s expected, %s received", amount(m.Credit), m.Currency, amount(m.Received))
		}
		s = append(s, line+".")
	}
	return strings.Join(s, " ")
}

func (d *yearDrawing) finish() string {
	f := sheet{id: d.id}
	w, h := float64(d.opt.Width), d.y+gap
	f.group("svg", func() {
		f.text("title", d.title(), "id", f.id+"-title")
		f.text("desc", d.describe(), "id", f.id+"-desc")
		if !d.opt.NoStyle {
			f.b.WriteString("<style>" + Style() + "</style>\n")
		}
		f.patterns()
		f.el("rect", "width", w, "height", h, "class", "paper")
		f.b.WriteString(d.b.String())
	}, "xmlns", "http://www.w3.org/2000/svg", "class", "sw", "role", "img", "aria-labelledby", f.id+"-title "+f.id+"-desc",
		"width", w, "height", h, "viewBox", "0 0 "+num(w)+" "+num(h))
	return f.b.String()
}

func (d *yearDrawing) heading() {
	room := float64(d.opt.Width) - 2*gap
	d.text("text", strconv.Itoa(d.year.Year), "x", gap, "y", d.y+15, "class", "head")
	d.y += lineH + 4
	for _, line := range wrap(d.sums(), "  ·  ", 12, room) {
		d.text("text", line, "x", gap, "y", d.y+11, "class", "soft")
		d.y += lineH
	}
}

// A chart is bars by month on one scale.
type chart struct {
	lo, hi      float64
	top, bottom float64
}

func (c chart) at(v float64) float64 { return c.bottom - (c.bottom-c.top)*(v-c.lo)/(c.hi-c.lo) }

// column returns where a month lies.
func (d *yearDrawing) column(m time.Month) (x, width float64) {
	width = (d.x1 - d.x0) / 12
	return d.x0 + float64(m-1)*width, width
}

// frame draws a chart's scale, from lo to hi with some room above, and its months. What says is drawn inside comes after.
func (d *yearDrawing) frame(lo, hi, height float64, unit string) chart {
	c := chart{lo: math.Min(lo*1.15, 0), hi: hi * 1.15, top: d.y + 16, bottom: d.y + 16 + height}
	if c.hi <= 0 {
		c.hi = 1
	}
	for _, v := range ticks(c.lo, c.hi, height/34) {
		d.el("path", "d", "M"+num(d.x0)+" "+num(c.at(v))+"H"+num(d.x1), "class", "rule")
		if c.at(v) > c.top+16 {
			d.text("text", num(v), "x", d.x0-6, "y", c.at(v)+4, "class", "small soft end")
		}
	}
	d.text("text", unit, "x", d.x0-6, "y", c.top+8, "class", "small soft end")
	for m := time.January; m <= time.December; m++ {
		x, w := d.column(m)
		name := m.String()
		if width(name, 11) > w-4 {
			name = name[:3]
		}
		if width(name, 11) > w-2 {
			name = name[:1]
		}
		d.text("text", name, "x", x+w/2, "y", c.bottom+14, "class", "small soft mid")
	}
	d.y = c.bottom + 20
	return c
}

// rules draws the axes of a chart, over its bars.
func (d *yearDrawing) rules(c chart) {
	d.el("path", "d", "M"+num(d.x0)+" "+num(c.at(0))+"H"+num(d.x1), "class", "axis")
	d.el("path", "d", "M"+num(d.x0)+" "+num(c.top)+"V"+num(c.bottom), "class", "axis")
}

func (d *yearDrawing) fillOf(procedure string) string {
	return "url(#" + d.id + "-" + fill(1+slices.Index(d.procedures, procedure)) + ")"
}

// gains draws the gain of each month, the procedures on each other; what was lost hangs below zero.
func (d *yearDrawing) gains() {
	var up, down [13]float64
	for _, m := range d.months("") {
		up[m.Month], down[m.Month] = up[m.Month]+math.Max(m.KWh, 0), down[m.Month]+math.Min(m.KWh, 0)
	}
	d.legend(d.procedures)
	c := d.frame(slices.Min(down[:]), slices.Max(up[:]), 180, "kWh")
	var above, below [13]float64
	for _, m := range d.months("") {
		base := &above[m.Month]
		if m.KWh < 0 {
			base = &below[m.Month]
		}
		x, w := d.column(m.Month)
		top, bottom := c.at(math.Max(*base+m.KWh, *base)), c.at(math.Min(*base+m.KWh, *base))
		d.group("g", func() {
			d.text("title", actions.Heading(m.Procedure)+", "+kilo(m.KWh)+" kWh")
			d.el("rect", "x", x+w*0.2, "y", top, "width", w*0.6, "height", bottom-top, "fill", d.fillOf(m.Procedure))
		})
		*base += m.KWh
	}
	for m := time.January; m <= time.December; m++ {
		x, w := d.column(m)
		if label := kilo(up[m] + down[m]); up[m] > 0 && width(label, 11) < w {
			d.text("text", label, "x", x+w/2, "y", c.at(up[m])-4, "class", "small mid halo")
		}
	}
	d.rules(c)
}

// months returns the months paid in the currency, "" for all, that are months.
func (d *yearDrawing) months(currency string) []YearMonth {
	var out []YearMonth
	for _, m := range d.year.Months {
		if m.Month >= time.January && m.Month <= time.December && (currency == "" || m.Currency == currency) {
			out = append(out, m)
		}
	}
	return out
}

// credits draws for each month what should come as an outline, and beside it what came.
func (d *yearDrawing) credits(currency string) {
	var expected, received [13]float64
	for _, m := range d.months(currency) {
		expected[m.Month], received[m.Month] = expected[m.Month]+m.Credit, received[m.Month]+m.Received
	}
	d.y += gap
	d.el("rect", "x", d.x0, "y", d.y, "width", 12.0, "height", 12.0, "class", "ball")
	d.text("text", "expected", "x", d.x0+18, "y", d.y+10, "class", "small")
	d.el("rect", "x", d.x0+84, "y", d.y, "width", 12.0, "height", 12.0, "class", "tip")
	d.text("text", "received", "x", d.x0+102, "y", d.y+10, "class", "small")
	d.y += lineH
	lo := math.Min(slices.Min(expected[:]), slices.Min(received[:]))
	c := d.frame(lo, math.Max(slices.Max(expected[:]), slices.Max(received[:])), 120, currency)
	for m := time.January; m <= time.December; m++ {
		x, w := d.column(m)
		d.bar(c, x+w*0.2, w*0.3, expected[m], "ball", m.String()+", expected "+amount(expected[m])+" "+currency)
		d.bar(c, x+w*0.5, w*0.3, received[m], "tip", m.String()+", received "+amount(received[m])+" "+currency)
		if label := amount(expected[m]); expected[m] > 0 && width(label, 11) < w {
			d.text("text", label, "x", x+w/2, "y", c.at(math.Max(expected[m], received[m]))-4, "class", "small mid halo")
		}
	}
	d.rules(c)
}

func (d *yearDrawing) bar(c chart, x, w, v float64, class, title string) {
	if v == 0 {
		return
	}
	top, bottom := c.at(math.Max(v, 0)), c.at(math.Min(v, 0))
	d.group("g", func() {
		d.text("title", title)
		d.el("rect", "x", x, "y", top, "width", w, "height", bottom-top, "class", class)
	})
}

// legend names the fills of procedures in rows.
func (d *yearDrawing) legend(names []string) {
	if len(names) == 0 {
		return
	}
	d.y += 6
	x := d.x0
	for _, n := range names {
		text := cut(actions.Heading(n), 11, d.x1-d.x0-18)
		w := width(text, 11) + 34
		if x+w > d.x1 && x > d.x0 {
			x, d.y = d.x0, d.y+lineH
		}
		d.el("rect", "x", x, "y", d.y, "width", 12.0, "height", 12.0, "fill", d.fillOf(n))
		d.text("text", text, "x", x+18, "y", d.y+10, "class", "small")
		x += w
	}
	d.y += lineH
}
