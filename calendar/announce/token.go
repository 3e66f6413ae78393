package announce

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

type kind int

const (
	word kind = iota
	number
	mark
)

// A token is a run of letters, a run of digits, or one other character.
type token struct {
	kind  kind
	text  string // lower case; dashes of every length are "-"
	orig  string
	at    int  // bytes from the start of the text
	glued bool // to the token before
}

func (t token) end() int { return t.at + len(t.orig) }

// tokens splits text. Space and characters that do not show separate; digits are ASCII ones.
func tokens(text string) []token {
	var list []token
	glued := false
	for at := 0; at < len(text); {
		r, n := utf8.DecodeRuneInString(text[at:])
		if unicode.IsSpace(r) || unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r == utf8.RuneError {
			glued = false
			at += n
			continue
		}
		t := token{kind: kindOf(r), at: at, glued: glued}
		end := at + n
		for t.kind != mark && end < len(text) {
			r, n := utf8.DecodeRuneInString(text[end:])
			if kindOf(r) != t.kind {
				break
			}
			end += n
		}
		t.orig = text[at:end]
		t.text = strings.ToLower(t.orig)
		if t.kind == mark {
			t.text = plain(r, t.text)
		}
		list = append(list, t)
		at, glued = end, true
	}
	return list
}

func kindOf(r rune) kind {
	switch {
	case r >= '0' && r <= '9':
		return number
	case unicode.IsLetter(r):
		return word
	}
	return mark
}

// plain makes the many dashes and apostrophes one each.
func plain(r rune, s string) string {
	switch {
	case unicode.Is(unicode.Pd, r), r == '−', r == '→':
		return "-"
	case r == '’', r == '‘', r == '`':
		return "'"
	}
	return s
}
