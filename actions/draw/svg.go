package draw

import (
	"encoding/xml"
	"math"
	"strconv"
	"strings"
	"unicode"
)

// A sheet gathers SVG markup.
type sheet struct {
	b  strings.Builder
	id string // prefix of every id, so that several drawings can stand in one page
}

// el writes an element without content. attrs are names and values in turn; a value is a string or a float64.
func (s *sheet) el(name string, attrs ...any) {
	s.start(name, attrs)
	s.b.WriteString("/>\n")
}

// group writes an element with what inner writes in it.
func (s *sheet) group(name string, inner func(), attrs ...any) {
	s.start(name, attrs)
	s.b.WriteString(">\n")
	inner()
	s.b.WriteString("</" + name + ">\n")
}

// text writes an element with text in it.
func (s *sheet) text(name, text string, attrs ...any) {
	s.start(name, attrs)
	s.b.WriteString(">" + escape(text) + "</" + name + ">\n")
}

func (s *sheet) start(name string, attrs []any) {
	s.b.WriteString("<" + name)
	for i := 0; i < len(attrs); i += 2 {
		value, _ := attrs[i+1].(string)
		if x, ok := attrs[i+1].(float64); ok {
			value = num(x)
		}
		s.b.WriteString(" " + attrs[i].(string) + `="` + escape(value) + `"`)
	}
}

// num writes a coordinate to a tenth, the finest that shows.
func num(x float64) string { return strconv.FormatFloat(math.Round(x*10)/10+0, 'f', -1, 64) }

// escape makes text fit for content and attributes. What XML 1.0 cannot hold is replaced.
func escape(s string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(s)) // a Builder takes everything
	return b.String()
}

// A path gathers path data.
type path struct{ b strings.Builder }

func (p *path) move(x, y float64) { p.b.WriteString("M" + num(x) + " " + num(y)) }
func (p *path) line(x, y float64) { p.b.WriteString("L" + num(x) + " " + num(y)) }
func (p *path) close()            { p.b.WriteString("Z") }
func (p *path) String() string    { return p.b.String() }

// width guesses how wide text is in a sans-serif face of this size: it is only used to leave out or cut what would not
// fit, and guesses high.
func width(s string, size float64) float64 {
	w := 0.0
	for _, r := range s {
		switch {
		case strings.ContainsRune("iljtfrI.,:;'|()[] -", r):
			w += 0.36
		case unicode.IsDigit(r), unicode.IsLower(r) && r < 0x250:
			w += 0.58
		case r < 0x250:
			w += 0.74
		default:
			w += 1
		}
	}
	return w * size
}

// cut shortens text to what fits.
func cut(s string, size, room float64) string {
	if width(s, size) <= room {
		return s
	}
	runes := []rune(s)
	for len(runes) > 0 && width(string(runes), size)+size > room {
		runes = runes[:len(runes)-1]
	}
	return strings.TrimSpace(string(runes)) + "…"
}

// bold is how much wider bold type is.
const bold = 1.2

// wrap breaks parts, joined by sep, into lines that fit.
func wrap(parts []string, sep string, size, room float64) []string {
	var lines []string
	for _, p := range parts {
		if last := len(lines) - 1; last >= 0 && width(lines[last]+sep+p, size) <= room {
			lines[last] += sep + p
			continue
		}
		lines = append(lines, cut(p, size, room))
	}
	return lines
}
