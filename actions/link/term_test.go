package link_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
	"spillway/actions/link"
)

// {seconds} and {minutes} are rounded up, no further than the longest the box takes; {until} is RFC 3339 in UTC.
func TestTermed(t *testing.T) {
	until := time.Date(2026, 6, 10, 14, 1, 0, 500, time.FixedZone("", 3600))
	term := func(d time.Duration) link.Term { return link.Term{For: d, Until: until} }
	tests := []struct {
		name        string
		write, want actions.Address
		lasts       time.Duration
		term        link.Term
	}{
		{"nothing lent", actions.Address{Body: "{value} {seconds}"}, actions.Address{Body: "{value} {seconds}"}, 0, term(time.Hour)},
		{"body", actions.Address{Body: `{"w": {value}, "s": {seconds}, "m": {minutes}, "u": "{until}"}`},
			actions.Address{Body: `{"w": {value}, "s": 1211, "m": 21, "u": "2026-06-10T13:01:01Z"}`}, time.Hour, term(20*time.Minute + 10500*time.Millisecond)},
		{"bare time in JSON", actions.Address{Body: `{"w": {value}, "u": {until}}`}, actions.Address{Body: `{"w": {value}, "u": "2026-06-10T13:01:01Z"}`},
			time.Hour, term(time.Minute)},
		{"bare time in text", actions.Address{Body: `{value} {until}`}, actions.Address{Body: `{value} 2026-06-10T13:01:01Z`}, time.Hour, term(time.Minute)},
		{"form", actions.Address{Body: `w={value}&u={until}`, Headers: map[string]string{"content-type": "application/x-www-form-urlencoded"}},
			actions.Address{Body: `w={value}&u=2026-06-10T13%3A01%3A01Z`, Headers: map[string]string{"content-type": "application/x-www-form-urlencoded"}},
			time.Hour, term(time.Minute)},
		{"path", actions.Address{Path: "set/{value}/{seconds}?u={until}"}, actions.Address{Path: "set/{value}/60?u=2026-06-10T13%3A01%3A01Z"}, time.Hour, term(time.Minute)},
		{"header and arguments", actions.Address{Headers: map[string]string{"X-For": "{minutes}"}, Args: []string{"box", "{value}", "--for={seconds}s"}},
			actions.Address{Headers: map[string]string{"X-For": "1"}, Args: []string{"box", "{value}", "--for=60s"}}, time.Hour, term(time.Minute)},
		{"no longer than the longest", actions.Address{Body: "{minutes}"}, actions.Address{Body: "30"}, 30*time.Minute + 30*time.Second, term(30*time.Minute + 20*time.Second)},
		{"never nothing", actions.Address{Body: "{seconds} {minutes}"}, actions.Address{Body: "1 1"}, time.Hour, term(-time.Minute)},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.write.Lasts, tt.want.Lasts = tt.lasts, tt.lasts
			p := &actions.Point{Write: &tt.write}
			before := tt.write.Body
			if d := cmp.Diff(&tt.want, link.Termed(p, tt.term).Write); d != "" {
				t.Error(d)
			}
			if p.Write.Body != before {
				t.Error("the point itself was changed")
			}
		})
	}
}

// A body stays JSON whatever the term, and what is written without one is lent for the longest.
func TestTermedBodiesStayJSON(t *testing.T) {
	p := &actions.Point{Ref: power.Ref, Write: &actions.Address{Body: `{"w": {value}, "for": {seconds}, "u": {until}}`, Lasts: time.Minute}}
	q := link.Termed(p, link.Longest(p))
	body, err := link.Body(q, actions.Number(5), q.Write.Body, false)
	if err != nil || !link.IsJSON(q.Write.Body) || body[:23] != `{"w": 5, "for": 60, "u"` {
		t.Errorf("%q, %v", body, err)
	}
	if link.Longest(&actions.Point{Write: &actions.Address{}}) != (link.Term{}) {
		t.Error("a value that stays was given a term")
	}
}
