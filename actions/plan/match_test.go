package plan

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"spillway/actions"
	"spillway/calendar"
)

func matchPremises() *actions.Premises {
	p := procedures(smallholding(),
		proc{name: "surplus", rank: 10, during: []string{"ice_bank.run = on"}},
		proc{name: "free", rank: 10, during: []string{"ice_bank.run = on"}},
		proc{name: "night", rank: 1, during: []string{"ice_bank.run = on"}},
		proc{name: "all", rank: 0, during: []string{"ice_bank.run = on"}})
	p.Procedure("surplus").Match = actions.Match{Title: "free power", Pattern: regexp.MustCompile("(?i)free power"), Category: "surplus"}
	p.Procedure("free").Match = actions.Match{Category: "Free"}
	p.Procedure("night").Match = actions.Match{Title: "/^night/", Pattern: regexp.MustCompile("^night")}
	p.Procedure("all").Match = actions.Match{Feed: "plain"}
	return p
}

func occ(title, start, end string, change ...func(*calendar.Occurrence)) calendar.Occurrence {
	o := calendar.Occurrence{UID: title + start, Start: at(start), End: at(end), Summary: title, Status: "confirmed"}
	for _, c := range change {
		c(&o)
	}
	return o
}

func TestMatch(t *testing.T) {
	house := FeedRules{Name: "house"}
	for _, c := range []struct {
		name      string
		o         calendar.Occurrence
		feed      FeedRules
		procedure string
		window    bool
		why       string
		notes     string
	}{
		{"title, case-blind", occ("FREE Power!", "13:00", "14:00"), house, "surplus", true, "its title matches free power", ""},
		{"category, case-blind", occ("x", "13:00", "14:00", func(o *calendar.Occurrence) { o.Categories = []string{"a", "SURPLUS"} }), house, "surplus", true, "its category is surplus", ""},
		{"none", occ("dentist", "13:00", "14:00"), house, "", false, "no procedure matches", ""},
		{"only the feed", occ("dentist", "13:00", "14:00"), FeedRules{Name: "plain"}, "all", true, "it is on feed plain", ""},
		{"two of one rank: by name", occ("free power", "13:00", "14:00", func(o *calendar.Occurrence) { o.Categories = []string{"free"} }), house, "free", true, "", "procedure surplus matches too; free takes it"},
		{"two ranks", occ("night of free power", "13:00", "14:00"), house, "surplus", true, "", "procedure night matches too"},
		{"feed may not call it", occ("free power", "13:00", "14:00"), FeedRules{Name: "house", Procedures: []string{"night"}}, "", false, "feed house may not call surplus", ""},
		{"feed may call the lower", occ("night of free power", "13:00", "14:00"), FeedRules{Name: "house", Procedures: []string{"night"}}, "night", true, "", ""},
		{"zero length", occ("free power", "13:00", "13:00"), house, "", false, "it has no length", ""},
		{"too long", occ("free power", "13:00", "+1 13:01"), house, "", false, "at the longest", ""},
		{"tentative", occ("free power", "13:00", "14:00", func(o *calendar.Occurrence) { o.Status = "tentative" }), house, "", false, "tentative", ""},
		{"tentative allowed", occ("free power", "13:00", "14:00", func(o *calendar.Occurrence) { o.Status = "tentative" }), FeedRules{Tentative: true}, "surplus", true, "", ""},
		{"unanswered", occ("free power", "13:00", "14:00", func(o *calendar.Occurrence) { o.Unanswered = true }), house, "", false, "nobody has accepted", ""},
		{"organizer", occ("free power", "13:00", "14:00", func(o *calendar.Occurrence) { o.Organizer = "eve@calendar.example" }), FeedRules{Organizers: []string{"ann@calendar.example"}}, "", false, "eve@calendar.example is none", ""},
		{"no organizer", occ("free power", "13:00", "14:00"), FeedRules{Organizers: []string{"ann@calendar.example"}}, "", false, "names no organizer", ""},
		{"organizer allowed", occ("free power", "13:00", "14:00", func(o *calendar.Occurrence) { o.Organizer = "ann@calendar.example" }), FeedRules{Organizers: []string{"ann@calendar.example"}}, "surplus", true, "", ""},
		{"cancelled", occ("free power", "13:00", "14:00", func(o *calendar.Occurrence) { o.Status = "cancelled" }), house, "", false, "cancelled", ""},
		{"skip window", occ("free power", "13:00", "14:00", func(o *calendar.Occurrence) { o.Description = "not today\nskip WINDOW" }), house, "", false, "skip WINDOW", ""},
		{"skip nothing", occ("free power", "13:00", "14:00", func(o *calendar.Occurrence) { o.Description = "skip boat" }), house, "surplus", true, "", "there is no such device"},
		{"statements not allowed", occ("free power", "13:00", "14:00", func(o *calendar.Occurrence) { o.Description = "van.current = 10 A" }), house, "surplus", true, "", "do not count"},
		{"closed point", occ("free power", "13:00", "14:00", func(o *calendar.Occurrence) { o.Description = "ice_bank.run = off" }), FeedRules{Statements: true}, "surplus", true, "", "ice_bank.run is not open"},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := Match(c.o, c.feed, matchPremises())
			if v.Procedure != c.procedure || (v.Window != nil) != c.window {
				t.Errorf("got procedure %q, window %v, why %q", v.Procedure, v.Window != nil, v.Why)
			}
			mustContain(t, v.Why, c.why)
			if c.notes != "" && v.Window != nil {
				mustContain(t, strings.Join(v.Window.Notes, "\n"), c.notes)
			}
		})
	}
}

func TestDescription(t *testing.T) {
	o := occ("free power", "13:00", "14:00", func(o *calendar.Occurrence) {
		o.Description = "Hello!\nskip cylinder\nvan.current = 10 A for 20m\nvan.current = 12 A\nvan.current = 99 A"
	})
	w := Match(o, FeedRules{Name: "house", Statements: true}, matchPremises()).Window
	if len(w.Extra) != 1 || w.Extra[0].Want.Value != actions.Number(10) || w.Extra[0].For != 20*time.Minute {
		t.Errorf("statements: %+v", w.Extra)
	}
	if len(w.SkipDevices) != 1 || w.SkipDevices[0] != "cylinder" {
		t.Errorf("skip: %v", w.SkipDevices)
	}
	notes := strings.Join(w.Notes, "\n")
	mustContain(t, notes, "a line before it sets van.current already")
	mustContain(t, notes, "outside the range")
}

func TestVerdicts(t *testing.T) {
	same := occ("free power", "13:00", "14:00")
	feeds := []Feed{
		{FeedRules{Name: "a", MaxPerDay: 2}, []calendar.Occurrence{occ("free power", "18:00", "19:00"), occ("free power", "09:00", "10:00"), same, occ("free power", "+1 09:00", "+1 10:00")}},
		{FeedRules{Name: "b"}, []calendar.Occurrence{same}},
	}
	got := map[string]string{}
	for _, v := range Verdicts(feeds, matchPremises()) {
		got[v.Feed+v.Occurrence.Start.Format(" 02 15:04")] = v.Why
	}
	for key, why := range map[string]string{
		"a 10 09:00": "its title", "a 10 13:00": "its title", "a 10 18:00": "max_per_day", "a 11 09:00": "its title", "b 10 13:00": "feed a holds it too",
	} {
		if !strings.Contains(got[key], why) {
			t.Errorf("%s: got %q, want %q", key, got[key], why)
		}
	}
}
