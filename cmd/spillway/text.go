package main

import (
	"strings"
	"unicode"
)

// oneLine makes text from a calendar or a device fit for one line on a terminal: no line breaks, no control characters
// that could move the cursor or hide what follows.
func oneLine(s string) string {
	s = clean(s)
	if runes := []rune(s); len(runes) > 200 {
		return string(runes[:200]) + "…"
	}
	return s
}

// clean is oneLine for text that may be long.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\r' || r == '\t':
			return ' '
		case unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r):
			return -1
		}
		return r
	}, s)
}
