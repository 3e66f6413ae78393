package publish_test

import (
	"bytes"
	"context"
	"strings"
	"testing"
	"unicode/utf8"

	"spillway/actions/publish"
)

// Whatever an event's title or a device's note holds, in any script, it is text in the feed: no property, no component and
// no header comes of it, and the lines are folded at 75 octets without breaking a character (RFC 5545 3.1, 3.3.11).
func TestHostileTitles(t *testing.T) {
	lines := func(title string) (heads []string, unfolded string) {
		t.Helper()
		now := at(12, 0, 0)
		p := plan(now)
		p.Windows[0].Title, p.Windows[0].Problems = title, []string{title}
		p.Steps[0].Why = title
		f, err := publish.Open(context.Background(), &memory{}, london(t))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.Update(t.Context(), p, nil, premises(t), publish.Options{Now: now, Faults: []publish.Fault{{Key: title, Title: title, Text: title, Since: now}}}); err != nil {
			t.Fatal(err)
		}
		body := f.Rendering(publish.Steps).Body
		for line := range bytes.SplitSeq(bytes.TrimSuffix(body, []byte("\r\n")), []byte("\r\n")) {
			if len(line) > 75 || !utf8.Valid(line) || bytes.ContainsAny(line, "\r\n\x00\x1b") {
				t.Errorf("%.40q: the line %q cannot stand", title, line)
			}
			if !bytes.HasPrefix(line, []byte(" ")) {
				head, _, _ := strings.Cut(string(line), ":")
				heads = append(heads, head)
			}
		}
		return heads, strings.ReplaceAll(string(body), "\r\n ", "")
	}
	want, _ := lines("Free power")
	for _, title := range []string{
		"Free power\r\nATTENDEE:mailto:x@elsewhere.example\r\nX-EVIL:1",
		"Free power\nEND:VEVENT\nBEGIN:VEVENT\nUID:evil",
		"Free power\rURL:https://elsewhere.example/",
		"a;b,c\\n\\;\"quoted\": <script>alert(1)</script>",
		strings.Repeat("停電の予告", 60),
		strings.Repeat("🔌", 80) + "é" + strings.Repeat("Φρεσκο", 30),
		"مهلة\u202e قوة \x00\x1b[2J",
		"\xff\xfe not UTF-8",
	} {
		heads, body := lines(title)
		if strings.Join(heads, "\n") != strings.Join(want, "\n") {
			t.Errorf("%.40q makes other lines than a plain title: %q", title, heads)
		}
		if clean := strings.Fields(title)[0]; utf8.ValidString(clean) && !strings.ContainsAny(clean, ";,\\\x00") && !strings.Contains(body, clean) {
			t.Errorf("%.40q is not in the feed", title)
		}
	}
}
