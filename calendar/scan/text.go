package scan

import (
	"bytes"
	"strings"
	"unicode/utf8"
)

// Text decodes a TEXT value (RFC 5545 3.3.11): escapes are resolved, bytes that are no UTF-8 become U+FFFD, and control
// characters other than line feed and tab are left out. It copies.
func Text(b []byte) string {
	if isPlain(b) {
		return string(b)
	}
	var s strings.Builder
	s.Grow(len(b))
	for i := 0; i < len(b); {
		c := b[i]
		switch {
		case c == '\\' && i+1 < len(b):
			if e := b[i+1]; e == 'n' || e == 'N' {
				s.WriteByte('\n')
			} else if e == ';' || e == ',' || e == '\\' || e == ':' || e == '"' { // the last two are common, and wrong
				s.WriteByte(e)
			} else {
				s.WriteByte(c)
				i--
			}
			i += 2
		case c < ' ' && c != '\t' && c != '\n', c == 0x7f:
			i++
		case c < utf8.RuneSelf:
			s.WriteByte(c)
			i++
		default:
			r, n := utf8.DecodeRune(b[i:])
			s.WriteRune(r)
			i += n
		}
	}
	return s.String()
}

func isPlain(b []byte) bool {
	for _, c := range b {
		if c < ' ' || c > '~' || c == '\\' {
			return false
		}
	}
	return true
}

// Texts decodes a list of TEXT values, split at the commas that are not escaped; blanks around a value and empty values
// are left out.
func Texts(b []byte) []string {
	var out []string
	for len(b) > 0 {
		i := 0
		for ; i < len(b) && b[i] != ','; i++ {
			if b[i] == '\\' {
				i++
			}
		}
		i = min(i, len(b))
		if s := strings.TrimSpace(Text(b[:i])); s != "" {
			out = append(out, s)
		}
		b = bytes.TrimPrefix(b[i:], []byte{','})
	}
	return out
}
