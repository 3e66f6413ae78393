package publish_test

import (
	"slices"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/publish"
	"spillway/calendar"
)

func credit(state publish.CreditState, came string) publish.Credit {
	start := time.Date(2027, 6, 12, 12, 0, 0, 0, time.UTC)
	return publish.Credit{Window: "w0", Title: "Free power", Start: start, End: start.Add(time.Hour), Due: start.Add(7*24*time.Hour + time.Hour),
		Amount: "3.10", Currency: "GBP", Came: came, State: state, Text: "Gain 12.653 kWh."}
}

// A credit stands at the top of the day it is due, in the premises' zone, and turns to settled, short or missing.
func TestCreditEntries(t *testing.T) {
	for _, c := range []struct {
		credit      publish.Credit
		title, tint string
	}{
		{credit(publish.CreditDue, ""), "Credit due: 3.10 expected for Sat 12 June", "goldenrod"},
		{credit(publish.CreditSettled, "3.10"), "Credit settled: 3.10 came for Sat 12 June", "seagreen"},
		{credit(publish.CreditShort, "2.00"), "Credit short: 2.00 of 3.10 came for Sat 12 June", "crimson"},
		{credit(publish.CreditMissing, ""), "Credit missing: 3.10 for Sat 12 June", "crimson"},
	} {
		now := time.Date(2027, 6, 14, 9, 0, 0, 0, time.UTC)
		got := publish.Entries(&actions.Plan{At: now}, nil, premises(t), publish.Options{Now: now, Credits: []publish.Credit{c.credit}})
		if len(got) != 1 {
			t.Fatalf("%s: %d entries", c.credit.State, len(got))
		}
		e := got[0]
		day := time.Date(2027, 6, 19, 0, 0, 0, 0, time.UTC)
		if e.Summary != c.title || e.Color != c.tint || !e.AllDay || !e.Start.Equal(day) || !e.End.Equal(day.AddDate(0, 0, 1)) ||
			!slices.Equal(e.Categories, []string{"credit"}) || !e.Transparent {
			t.Errorf("%s: %+v", c.credit.State, e)
		}
		const text = "For Free power, Sat 12 Jun 13:00 to 14:00\n3.10 GBP expected by Sat 19 Jun 14:00.\nGain 12.653 kWh."
		if e.Description != text {
			t.Errorf("%s: %q", c.credit.State, e.Description)
		}
	}
}

// One entry turns, with its UID and the next sequence; while credits are still worked out after a start, what was published
// stays as it was; and one that is no longer due goes as cancelled.
func TestCreditsInFeed(t *testing.T) {
	f := open(t, &memory{})
	now := time.Date(2027, 6, 14, 9, 0, 0, 0, time.UTC)
	update := func(o publish.Options) (calendar.Entry, bool) {
		t.Helper()
		now = now.Add(time.Hour)
		o.Now = now
		changed, err := f.Update(t.Context(), &actions.Plan{At: now}, nil, premises(t), o)
		if err != nil {
			t.Fatal(err)
		}
		if n := len(f.Rendering("").Entries); n != 1 {
			t.Fatalf("%d entries", n)
		}
		return f.Rendering("").Entries[0].Entry, changed
	}
	first, _ := update(publish.Options{Credits: []publish.Credit{credit(publish.CreditDue, "")}})
	if same, changed := update(publish.Options{CreditsUnknown: true}); changed || same.Cancelled || same.Sequence != first.Sequence {
		t.Errorf("while they are worked out it became %+v", same)
	}
	turned, changed := update(publish.Options{Credits: []publish.Credit{credit(publish.CreditSettled, "3.10")}})
	if !changed || turned.UID != first.UID || turned.Sequence != first.Sequence+1 {
		t.Errorf("%+v became %+v", first, turned)
	}
	if gone, _ := update(publish.Options{}); !gone.Cancelled {
		t.Errorf("no longer due: %+v", gone)
	}
	if gone, changed := update(publish.Options{CreditsUnknown: true}); changed || !gone.Cancelled {
		t.Errorf("cancelled, and it came back: %+v", gone)
	}
}
