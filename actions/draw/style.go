package draw

// Style returns the style sheet of every drawing, for a page whose content security policy admits no style element
// inside: see [Options]. Its selectors begin with .sw.
func Style() string {
	return `.sw{--paper:#fcfbf7;--ink:#1b2227;--soft:#57626b;--rule:#dcd8cc;--band:#f1eee2;--hatch:#b9b29a;--limit:#a8201a;--now:#0a5a8a;` +
		`--f0:#a6a79f;--f1:#3b7ea1;--f2:#c98a1b;--f3:#6b8f3f;--f4:#96598a;--f5:#b3583f;--f6:#5a6cb5;` +
		`font-family:system-ui,"Segoe UI",Roboto,"Noto Sans",sans-serif;font-variant-numeric:tabular-nums}
@media(prefers-color-scheme:dark){.sw{--paper:#14181b;--ink:#e9e6dc;--soft:#a3adb5;--rule:#2c3338;--band:#1d2327;--hatch:#4b4a40;--limit:#ff8a7d;--now:#7cc4f0;` +
		`--f0:#6d6f6a;--f1:#5fa8cc;--f2:#e0a840;--f3:#93b964;--f4:#c287b5;--f5:#dd8468;--f6:#8d9ee0}}
.sw text{fill:var(--ink);font-size:12px}
.sw .paper{fill:var(--paper)}
.sw .head{font-size:15px;font-weight:650}
.sw .soft{fill:var(--soft)}
.sw .small{font-size:11px}
.sw .warn{fill:var(--limit);font-weight:600}
.sw .dev{font-weight:650}
.sw .band{fill:var(--band)}
.sw .rule{stroke:var(--rule);fill:none}
.sw .axis{stroke:var(--soft);fill:none}
.sw .dim{stroke:var(--soft);fill:none}
.sw .tip{fill:var(--soft)}
.sw .edge{stroke:var(--hatch);fill:none}
.sw .hatch{stroke:var(--hatch);stroke-width:1.2}
.sw .cross{stroke:var(--paper);stroke-width:1.6}
.sw .wave{stroke:var(--ink);stroke-width:1.6;fill:none;stroke-linejoin:miter}
.sw .unsure{stroke-dasharray:3 3}
.sw .held{fill-opacity:.28}
.sw .halo{paint-order:stroke;stroke:var(--paper);stroke-width:3px;stroke-linejoin:round}
.sw .net{stroke:var(--ink);stroke-width:1.8;fill:none}
.sw .limit{stroke:var(--limit);stroke-width:2;stroke-dasharray:9 4;fill:none}
.sw .now{stroke:var(--now);stroke-width:1.6;fill:none}
.sw .nowtext{fill:var(--now);font-weight:650}
.sw .ball{fill:var(--paper);stroke:var(--ink);stroke-width:1.3}
.sw .ball.done{fill:var(--ink)}
.sw .ball.failed{fill:var(--limit);stroke:var(--limit)}
.sw .ball.skipped{stroke-dasharray:2 2}
.sw .num{font-size:9.5px;font-weight:650;text-anchor:middle}
.sw .num.done,.sw .num.failed{fill:var(--paper)}
.sw .mid{text-anchor:middle}
.sw .end{text-anchor:end}
.sw .f0{fill:var(--f0)}.sw .f1{fill:var(--f1)}.sw .f2{fill:var(--f2)}.sw .f3{fill:var(--f3)}.sw .f4{fill:var(--f4)}.sw .f5{fill:var(--f5)}.sw .f6{fill:var(--f6)}
`
}

// patterns writes what fills are made of: the hatching of lead-in and restore, and one for each device.
func (s *sheet) patterns() {
	s.group("defs", func() {
		for _, h := range []struct{ name, turn string }{{"lead-in", "rotate(45)"}, {"restore", "rotate(-45)"}} {
			s.group("pattern", func() {
				s.el("line", "x1", 0.0, "y1", 0.0, "x2", 0.0, "y2", 6.0, "class", "hatch")
			}, "id", s.id+"-"+h.name, "width", 6.0, "height", 6.0, "patternUnits", "userSpaceOnUse", "patternTransform", h.turn)
		}
		for n, turn := range []string{"", "rotate(45)", "rotate(-45)", "rotate(90)", "rotate(20)", "rotate(0)", "rotate(-70)"} {
			s.group("pattern", func() {
				s.el("rect", "width", 9.0, "height", 9.0, "class", fill(n))
				if turn != "" {
					s.el("line", "x1", 0.0, "y1", 0.0, "x2", 0.0, "y2", 9.0, "class", "cross")
				}
			}, "id", s.id+"-"+fill(n), "width", 9.0, "height", 9.0, "patternUnits", "userSpaceOnUse", "patternTransform", turn)
		}
	})
}

// fill returns the name of the fill number n; 0 is the rest of the premises.
func fill(n int) string {
	if n > 6 {
		n = 1 + (n-1)%6
	}
	return "f" + string(rune('0'+n))
}
