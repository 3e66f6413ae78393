package link

import (
	"bytes"
	"encoding/json"
	"strings"

	"spillway/actions"
)

// placeholder stands for the wire form of the value in bodies, paths, headers and arguments.
const placeholder = "{value}"

// Body returns the payload that sets p to v: pattern with {value} filled in, or the bare wire form where pattern is
// "". In a JSON body a {value} between quotes is escaped, and one that stands bare is written as a JSON value, so that a
// body stays JSON whatever the value. form asks for application/x-www-form-urlencoded in place of plain text.
func Body(p *actions.Point, v actions.Value, pattern string, form bool) (string, error) {
	wire, err := Wire(p, v)
	switch {
	case err != nil:
		return "", err
	case pattern == "":
		return Text(wire), nil
	case form:
		return strings.ReplaceAll(pattern, placeholder, percent(Text(wire))), nil
	case IsJSON(pattern):
		return fillJSON(pattern, wire)
	}
	return strings.ReplaceAll(pattern, placeholder, Text(wire)), nil
}

// IsJSON reports whether a body pattern is JSON once {value} is filled in. A pattern of {value} alone is not: it
// stands for the bare wire form.
func IsJSON(pattern string) bool {
	if strings.TrimSpace(pattern) == placeholder {
		return false
	}
	filled, err := fillJSON(pattern, int64(0))
	first := strings.TrimLeft(filled, " \t\r\n")
	return err == nil && first != "" && strings.ContainsRune(`{["`, rune(first[0])) && json.Valid([]byte(filled))
}

// fillJSON fills {value} in, minding whether it stands in a JSON string.
func fillJSON(pattern string, wire any) (string, error) {
	bare, err := jsonForm(wire)
	if err != nil {
		return "", err
	}
	inside, err := jsonForm(Text(wire))
	if err != nil {
		return "", err
	}
	inside = inside[1 : len(inside)-1]

	var out strings.Builder
	quoted := false
	for i := 0; i < len(pattern); {
		switch {
		case strings.HasPrefix(pattern[i:], placeholder) && quoted:
			out.WriteString(inside)
			i += len(placeholder)
		case strings.HasPrefix(pattern[i:], placeholder):
			out.WriteString(bare)
			i += len(placeholder)
		case quoted && pattern[i] == '\\' && i+1 < len(pattern):
			out.WriteString(pattern[i : i+2])
			i += 2
		default:
			quoted = quoted != (pattern[i] == '"')
			out.WriteByte(pattern[i])
			i++
		}
	}
	return out.String(), nil
}

// jsonForm writes a wire form as JSON, numbers without an exponent, and < > & as they are: no browser reads this.
func jsonForm(wire any) (string, error) {
	if f, ok := wire.(float64); ok {
		return Text(f), nil
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(wire); err != nil {
		return "", impossible("write %v as JSON: %v", wire, err)
	}
	return strings.TrimSuffix(b.String(), "\n"), nil
}

// Path returns pattern with {value} percent-encoded: all but the unreserved characters of RFC 3986 2.3, so that it
// stays one segment of a path or one value of a query.
func Path(p *actions.Point, v actions.Value, pattern string) (string, error) {
	wire, err := Wire(p, v)
	if err != nil {
		return "", err
	}
	text := Text(wire)
	if text == "." || text == ".." {
		return "", impossible("%s: %q cannot stand in a path", p.Ref, text)
	}
	return strings.ReplaceAll(pattern, placeholder, percent(text)), nil
}

// Header returns pattern with {value} as it is. A value with a line break or another control character is impossible
// (RFC 9110 5.5).
func Header(p *actions.Point, v actions.Value, pattern string) (string, error) {
	if !strings.Contains(pattern, placeholder) {
		return pattern, nil
	}
	wire, err := Wire(p, v)
	if err != nil {
		return "", err
	}
	text := Text(wire)
	if strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return "", impossible("%s: %q cannot stand in a header", p.Ref, text)
	}
	return strings.ReplaceAll(pattern, placeholder, text), nil
}

// Arg returns one argument of a command with {value} filled in. A value that begins with "-" is impossible where it
// begins the argument, because the program would take it for an option; "--power={value}" is safe.
func Arg(p *actions.Point, v actions.Value, pattern string) (string, error) {
	if !strings.Contains(pattern, placeholder) {
		return pattern, nil
	}
	wire, err := Wire(p, v)
	if err != nil {
		return "", err
	}
	text := Text(wire)
	if strings.HasPrefix(pattern, placeholder) && strings.HasPrefix(text, "-") {
		return "", impossible("%s: the argument %q would be an option: write it as --name={value}", p.Ref, text)
	}
	if strings.Contains(text, "\x00") {
		return "", impossible("%s: %q cannot stand in an argument", p.Ref, text)
	}
	return strings.ReplaceAll(pattern, placeholder, text), nil
}

func percent(s string) string {
	const hex = "0123456789ABCDEF"
	var out strings.Builder
	for i := range len(s) {
		c := s[i]
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || strings.IndexByte("-._~", c) >= 0 {
			out.WriteByte(c)
			continue
		}
		out.WriteByte('%')
		out.WriteByte(hex[c>>4])
		out.WriteByte(hex[c&15])
	}
	return out.String()
}
