package statement

import (
	"strings"
	"unicode"
)

// A token is a word or an operator of a statement.
type token struct {
	text string
	col  int  // 1-based, in characters
	op   bool // made of = ! < > and their look-alikes
	end  bool // there is no more; col is one past the last character
}

// scan cuts a statement into tokens. White space of every kind separates, since calendar programs put no-break spaces
// where a person typed plain ones.
func scan(text string) []token {
	var out []token
	col, start := 0, -1
	var word strings.Builder
	flush := func() {
		if start > 0 {
			out = append(out, token{text: word.String(), col: start})
		}
		word.Reset()
		start = -1
	}
	last := 0 // column of the last operator character, to join <=
	for _, r := range text {
		col++
		switch {
		case unicode.IsSpace(r) || r == '\u200b' || r == '\ufeff':
			flush()
		case strings.ContainsRune("=!<>≤≥≠", r):
			flush()
			if n := len(out); last == col-1 && n > 0 && out[n-1].op {
				out[n-1].text += string(r)
			} else {
				out = append(out, token{text: string(r), col: col, op: true})
			}
			last = col
		default:
			if start < 0 {
				start = col
			}
			word.WriteRune(r)
		}
	}
	flush()
	return append(out, token{col: col + 1, end: true})
}
