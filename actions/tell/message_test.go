package tell

import (
	"encoding/json"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
)

func london(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Skip("no time zones on this machine: ", err)
	}
	return zone
}

func summer(hour, minute int) time.Time { return time.Date(2026, 7, 4, hour, minute, 0, 0, time.UTC) }

func TestWords(t *testing.T) {
	f := Fault{Key: "k", Kind: KindRestore, Where: "cylinder.boost", What: "not back at off after 3 tries; it is tried until it is", Since: summer(12, 5)}
	w := Window{ID: "w1", Title: "Free power, Nether Wick", Start: summer(12, 0), End: summer(13, 0), LeadIn: summer(11, 58)}
	bare := w
	bare.LeadIn, bare.Problems, bare.End = w.Start, []string{"the van is not plugged in", "too late"}, summer(23, 30)
	tests := []struct {
		name          string
		items         []Item
		subject, text string
	}{
		{"a fault", []Item{faultItem(&entry{Fault: f})},
			"Spillway: cylinder.boost: not back at off after 3 tries; it is tried until it is",
			"Since Sat 4 Jul 13:05: cylinder.boost: not back at off after 3 tries; it is tried until it is\n"},
		{"in order again", []Item{clearItem(&entry{Fault: f, Gone: summer(12, 20)})},
			"Spillway: in order again: cylinder.boost",
			"In order again since Sat 4 Jul 13:20: cylinder.boost. It was wrong from Sat 4 Jul 13:05: not back at off after 3 tries; it is tried until it is\n"},
		{"a window", []Item{takenItem(&taken{Window: w})},
			"Spillway: Sat 4 Jul 13:00 taken, lead-in 12:58, no problems (to 14:00, Free power, Nether Wick)",
			"Sat 4 Jul 13:00 taken, lead-in 12:58, no problems (to 14:00, Free power, Nether Wick)\n"},
		{"a window past midnight, with problems", []Item{takenItem(&taken{Window: bare})},
			"Spillway: Sat 4 Jul 13:00 taken, no lead-in, the van is not plugged in; too late (to Sun 5 Jul 00:30, Free power, Nethe…",
			"Sat 4 Jul 13:00 taken, no lead-in, the van is not plugged in; too late (to Sun 5 Jul 00:30, Free power, Nether Wick)\n"},
		{"moved", []Item{takenItem(&taken{Window: w, Was: span{summer(10, 0), summer(11, 0)}})},
			"Spillway: Sat 4 Jul 11:00 is at Sat 4 Jul 13:00 now, lead-in 12:58, no problems (to 14:00, Free power, Nether Wick)",
			"Sat 4 Jul 11:00 is at Sat 4 Jul 13:00 now, lead-in 12:58, no problems (to 14:00, Free power, Nether Wick)\n"},
		{"off", []Item{offItem(&taken{Window: w})},
			"Spillway: Sat 4 Jul 13:00 to 14:00 is off: Free power, Nether Wick",
			"Sat 4 Jul 13:00 to 14:00 is off: Free power, Nether Wick\n"},
		{"a test", Test("ada", summer(12, 30), london(t)).Items, "Spillway: this is a test: nothing is wrong; what goes wrong is told to you this way",
			"Since Sat 4 Jul 13:30: this is a test: nothing is wrong; what goes wrong is told to you this way\n"},
		{"several", []Item{faultItem(&entry{Fault: f}), faultItem(&entry{Fault: f}), takenItem(&taken{Window: w})},
			"Spillway: 2 faults, 1 window taken", ""},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			m := newMessage("ada", summer(12, 30), london(t), test.items)
			if d := cmp.Diff(test.subject, m.Subject()); d != "" {
				t.Error(d)
			}
			if d := cmp.Diff(test.text, m.Text()); test.text != "" && d != "" {
				t.Error(d)
			}
		})
	}
}

func TestJSON(t *testing.T) {
	f := Fault{Key: "k", Kind: KindLink, Where: "barn", What: "cannot be reached", Since: summer(12, 5)}
	w := Window{ID: "w1", Title: "Free power", Start: summer(12, 0), End: summer(13, 0), LeadIn: summer(11, 58)}
	m := newMessage("ada", summer(12, 30).In(london(t)), london(t), []Item{faultItem(&entry{Fault: f}), takenItem(&taken{Window: w})})
	var got any
	if err := json.Unmarshal(m.JSON(), &got); err != nil {
		t.Fatal(err)
	}
	want := map[string]any{
		"id": m.ID, "at": "2026-07-04T12:30:00Z", "subject": "Spillway: 1 fault, 1 window taken",
		"items": []any{
			map[string]any{"id": m.Items[0].ID, "state": "fault", "kind": "link", "where": "barn", "what": "cannot be reached", "since": "2026-07-04T12:05:00Z"},
			map[string]any{"id": m.Items[1].ID, "state": "taken", "where": "Free power", "what": "no problems",
				"window": map[string]any{"id": "w1", "start": "2026-07-04T12:00:00Z", "end": "2026-07-04T13:00:00Z", "lead_in": "2026-07-04T11:58:00Z"}},
		},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// A receiver tells a repetition by the id, and a new episode too.
func TestIDs(t *testing.T) {
	a := &entry{Fault: Fault{Key: "link barn", Since: summer(12, 0)}}
	again := &entry{Fault: Fault{Key: "link barn", Since: summer(12, 0), What: "other words"}}
	later := &entry{Fault: Fault{Key: "link barn", Since: summer(13, 0)}}
	if faultItem(a).ID != faultItem(again).ID {
		t.Error("the same fault has two ids")
	}
	for name, id := range map[string]string{"another time": faultItem(later).ID, "the all-clear": clearItem(a).ID} {
		if id == faultItem(a).ID {
			t.Errorf("%s has the fault's id", name)
		}
	}
}

func TestLine(t *testing.T) {
	for in, want := range map[string]string{
		"Free\r\nBcc: eve@calendar.example": "Free Bcc: eve@calendar.example",
		"a\u2028b\u0085c\td":                "a b c d",
		"x\x00\x1b[31my":                    "x[31my",
		"left \u202egnp.exe":                "left gnp.exe",
		"=?utf-8?q?=0d=0aBcc:_eve?=":        "= ?utf-8?q?=0d=0aBcc:_eve?=",
		"\xff\xfe ok":                       "ok",
		"Nächtlicher Überschuss 🌙":          "Nächtlicher Überschuss 🌙",
	} {
		if got := line(in, 100); got != want {
			t.Errorf("line(%q) = %q, want %q", in, got, want)
		}
	}
	if got := line(strings.Repeat("é", 50), 10); got != strings.Repeat("é", 9)+"…" {
		t.Errorf("cut to %q", got)
	}
}

func FuzzLine(f *testing.F) {
	for _, s := range []string{"", "Free power", "a\r\nb", "=?=?", "==??", "\u202e", "\xf0\x9f", strings.Repeat("x", 300)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := line(s, 80)
		if utf8.RuneCountInString(got) > 80 || !utf8.ValidString(got) || strings.Contains(got, "=?") {
			t.Fatalf("line(%q) = %q", s, got)
		}
		for _, r := range got {
			if unicode.IsControl(r) || r == '\u2028' || r == '\u2029' || unicode.Is(unicode.Bidi_Control, r) {
				t.Fatalf("line(%q) = %q", s, got)
			}
		}
		if again := line(got, 80); again != got {
			t.Fatalf("line(%q) = %q, and of that %q", s, got, again)
		}
	})
}

// What was kept may be damaged, or by another hand: it is read or refused, and telling goes on.
func FuzzBook(f *testing.F) {
	b := newBook()
	b.see(noon, Report{Faults: []Fault{restore(noon)}, Windows: []Window{{ID: "w", Start: noon, End: noon.Add(time.Hour)}}}, Rules{Windows: true})
	raw, err := json.Marshal(b)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(raw)
	f.Add([]byte(`{"faults":{"a":null},"windows":null,"tries":-4,"next":"9999-12-31T23:59:59Z"}`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		b := newBook()
		if json.Unmarshal(raw, b) != nil {
			return
		}
		b.complete()
		now := noon
		for range 3 {
			b.see(now, Report{Faults: []Fault{restore(now)}}, Rules{Windows: true})
			items, _ := b.due(now, Rules{Windows: true})
			b.try(now, items)
			newMessage("ada", now, time.UTC, items).JSON()
			b.told(items)
			now = now.Add(mostPause)
		}
		if e := b.Faults["restore cylinder.boost"]; e == nil || !e.Told {
			t.Fatal("the fault was never told")
		}
	})
}
