package announce

import (
	"strings"
	"testing"
	"time"
)

func london(t testing.TB) *time.Location {
	t.Helper()
	z, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// Tuesday 24 November 2026, ten in the morning, in London, where winter time is UTC.
func tuesday() time.Time { return time.Date(2026, 11, 24, 10, 0, 0, 0, time.UTC) }

// Texts as suppliers and neighbours write them, all invented; what they mean was worked out by hand with a calendar.
func TestRead(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		// One day and a stretch, in many hands.
		{"Free power this Saturday, 5 December, from 1pm to 2pm!", "2026-12-05 13:00 1h"},
		{"Free power: Sat 5 Dec 13:00-14:00", "2026-12-05 13:00 1h"},
		{"FREE POWER SAT 5 DEC 13:00 – 14:00", "2026-12-05 13:00 1h"},
		{"Saturday 5th December between 1 and 2pm", "2026-12-05 13:00 1h"},
		{"Saturday the 5th of December 2026, 1 - 2 pm", "2026-12-05 13:00 1h"},
		{"Dec 5, 2026 1:00 PM to 2:30 PM", "2026-12-05 13:00 1h30m"},
		{"December 5th, 11am-1pm", "2026-12-05 11:00 2h"},
		{"On 5 December the power is free from 11 to 1pm.", "2026-12-05 11:00 2h"},
		{"2026-12-05 13:00 to 14:00", "2026-12-05 13:00 1h"},
		{"2026-12-05T13:00:00Z - 2026-12-05T14:00:00Z", "2026-12-05 13:00 1h"},
		{"05.12.2026, 13.00-14.00", "2026-12-05 13:00 1h"},
		{"25/12/2026 09:00 until 10:00", "2026-12-25 09:00 1h"},
		{"Sat 5/12/2026 13:00-14:00", "2026-12-05 13:00 1h"}, // the weekday settles the order
		{"Sat 5/12: 13:00-14:00", "2026-12-05 13:00 1h"},
		{"5/5/2027 13:00-14:00", "2027-05-05 12:00 1h"}, // summer time
		{"5-Dec-2026 13:00-14:00", "2026-12-05 13:00 1h"},
		{"Dinner hour off-peak: Fri 27 Nov, noon to 2pm", "2026-11-27 12:00 2h"},
		{"Fri 27 Nov 10am to noon", "2026-11-27 10:00 2h"},
		{"Fri 27 Nov 9:30-13:00", "2026-11-27 09:30 3h30m"},
		{"Fri 27 Nov 13h-14h30", "2026-11-27 13:00 1h30m"},
		{"Fri 27 Nov, 13 to 14h", "2026-11-27 13:00 1h"},
		{"Fri 27 Nov 1300-1400 hrs", "2026-11-27 13:00 1h"},
		{"Fri 27 Nov 1.30pm - 2.15 p.m.", "2026-11-27 13:30 45m"},
		{"Fri 27 Nov 1pm to 2", "2026-11-27 13:00 1h"},
		{"Turn-down hour on Thursday 26 November. Start: 16:30 End: 18:00", "2026-11-26 16:30 1h30m"},
		{"Thursday 26 November: starts at 4.30pm and ends at 6pm", "2026-11-26 16:30 1h30m"},
		{"Subject: Your free hour\n\nHello,\n\nyour free hour is Sat 5 Dec, 1-2pm (1 hour).\nUp to 3 kWh count; 5% of homes win 2 prizes worth £1.30.\n", "2026-12-05 13:00 1h"},
		{"Free hour Sat 5 Dec 1-2pm. See you Saturday 5 December, 1-2pm!", "2026-12-05 13:00 1h"},

		// Over midnight.
		{"Friday 27 November 10pm to 2am", "2026-11-27 22:00 4h"},
		{"Friday 27 November 11pm until midnight", "2026-11-27 23:00 1h"},
		{"Friday 27 November 22:00-24:00", "2026-11-27 22:00 2h"},
		{"from Fri 27 Nov 22:00 to Sat 28 Nov 02:00", "2026-11-27 22:00 4h"},
		{"22:00 on Fri 27 Nov until 02:00 on Sat 28 Nov", "2026-11-27 22:00 4h"},
		{"Outage: 27 Nov 2026 08:00 to 27 Nov 2026 16:00", "2026-11-27 08:00 8h"},

		// Days that are counted from now.
		{"tomorrow 1-2pm", "2026-11-25 13:00 1h"},
		{"today 13:00-14:00", "2026-11-24 13:00 1h"},
		{"the day after tomorrow, 13:00-14:00", "2026-11-26 13:00 1h"},
		{"tonight, 11pm to 1am", "2026-11-24 23:00 2h"},
		{"tomorrow (Wednesday) 1pm - 2pm", "2026-11-25 13:00 1h"},
		{"Saturday 1pm to 2pm", "2026-11-28 13:00 1h"},
		{"Saturday the 5th, 1pm to 2pm", "2026-12-05 13:00 1h"},
		{"2 January, 13:00-14:00", "2027-01-02 13:00 1h"}, // the coming one
		{"Mon 29 February 2028 13:00-14:00", "! is a Tuesday, not a Monday"},

		// A start and a length.
		{"Sat 5 Dec 13:00 for 1 hour", "2026-12-05 13:00 1h"},
		{"Sat 5 Dec from 1pm for an hour and a half", "2026-12-05 13:00 1h30m"},
		{"Sat 5 Dec at 1pm, lasting 90 minutes", "2026-12-05 13:00 1h30m"},
		{"Sat 5 Dec at 13h for 1h30", "2026-12-05 13:00 1h30m"},
		{"An hour of free power on Sat 5 Dec from 1pm. Please answer within 2 hours.", "2026-12-05 13:00 1h"},
		{"Half an hour of free power, Sat 5 Dec, 1pm", "2026-12-05 13:00 30m"},
		{"Sat 5 Dec 13:00 (45 min)", "2026-12-05 13:00 45m"},
		{"Sat 5 Dec 1pm for 1 hour 20 minutes", "2026-12-05 13:00 1h20m"},
		{"Sat 5 Dec 1pm for 2.5 hours", "2026-12-05 13:00 2h30m"},

		// Zones.
		{"Sat 5 Dec 13:00-14:00 UTC", "2026-12-05 13:00 1h"},
		{"Sat 5 Dec 13:00-14:00 GMT", "2026-12-05 13:00 1h"},
		{"Sat 5 June 2027 13:00-14:00 BST", "2027-06-05 12:00 1h"},
		{"Sat 5 Dec 13:00-14:00 (London time)", "2026-12-05 13:00 1h"},
		{"Sat 5 Dec 13:00-14:00 local time", "2026-12-05 13:00 1h"},
		{"Sat 5 Dec 13:00-14:00 Europe/Paris", "2026-12-05 12:00 1h"},
		{"Sat 5 Dec 13:00 UTC+2 to 14:00 UTC+2", "2026-12-05 11:00 1h"},
		{"2026-12-05T13:00+01:00 to 2026-12-05T14:00+01:00", "2026-12-05 12:00 1h"},
		{"Sunday 25 October 2027 00:30-01:30", "! is a Monday, not a Sunday"},
		{"Sunday 31 October 2027 01:00-01:30 GMT", "2027-10-31 01:00 30m"},
		{"Sunday 31 October 2027 01:00-01:30 BST", "2027-10-31 00:00 30m"},

		// Refused: two readings.
		{"5/12/2026 13:00-14:00", "! can be 5 December 2026 or 12 May 2026"},
		{"5/12/26 13:00-14:00", "! short year"},
		{"Sat 5 Dec 1-2", "! no time"},
		{"Sat 5 Dec 1:00-2:00", "! morning or afternoon"},
		{"Sat 5 Dec 9:00 for 1 hour", "! morning or afternoon"},
		{"next Saturday 1pm to 2pm", "! two ways"},
		{"Tuesday 1pm to 2pm", "! today is a Tuesday"},
		{"Sat 5 Dec 12am to 1am", "! midnight to some"},
		{"Sat 5 Dec midnight to 1am", "! start of the day or its end"},
		{"tonight 1am to 2am", "! today or tomorrow"},
		{"1 October 13:00-14:00", "! write the year"},
		{"Sat 5 Dec 13:00-14:00 EST", "! not what the clocks"},
		{"Sat 5 Dec 13:00-14:00 BST", "! not what the clocks"},
		{"Sat 5 June 2027 13:00-14:00 GMT", "! not what the clocks"},
		{"Sat 5 Dec 1pm UK time to 2pm UK time", "! not Europe/London"},
		{"Sat 5 Dec 13:00 UTC to 14:00 BST", "! more than one time zone"},
		{"Sunday 28 March 2027 01:15-01:45", "! clocks go forward"},
		{"Sunday 31 October 2027 01:00-01:30", "! comes twice"},
		{"Sat 5 Dec around 1pm to 2pm", "! not exact"},
		{"Sat 5 Dec 1pm for 2 to 3 hours", "! not exact"},
		{"Sat 5 Dec 1pm for up to 3 hours", "! starts"},

		// Refused: more than one thing, or less.
		{"Sunday 5 December 1pm to 2pm", "! is a Saturday, not a Sunday"},
		{"Sat 5 Dec 1-2pm and Sun 6 Dec 3-4pm", "! more than one stretch"},
		{"Saturday and Sunday 1pm to 2pm", "! more than one day"},
		{"5-6 December 1pm to 2pm", "! more than one day"},
		{"5 and 6 December 1pm to 2pm", "! more than one day"},
		{"Sat 5 Dec 13:00-14:00 and 16:00-17:00", "! more than one stretch"},
		{"Reply by noon on Friday 4 December: free power Sat 5 Dec 1pm to 2pm", "! another time"},
		{"Sat 5 Dec 13:00-15:00 (1 hour)", "! from start to end it is 2 h"},
		{"Sat 5 Dec doors 13:00 talk 14:00", "! which is the start"},
		{"Sat 5 Dec 1pm for 1 hour, lasting 2 hours", "! two lengths"},
		{"Every Saturday 1pm to 2pm", "! it repeats"},
		{"Saturdays 1pm to 2pm", "! it repeats"},
		{"Sat 5 Dec 1pm to 2pm daily", "! it repeats"},
		{"Cancelled: Sat 5 Dec 1pm to 2pm", "! a change"},
		{"Free power moved to Sat 5 Dec 1pm to 2pm", "! a change"},
		{"not on Saturday 5 December, 1pm to 2pm", "! when not"},
		{"Free power 13:00-14:00", "! no day"},
		{"Free power on Sat 5 Dec", "! no time"},
		{"Free power on Sat 5 Dec at 1pm", "! not when it ends"},
		{"Free power, 24/7, from 13:00 to 14:00", "! no day"},
		{"Kostenlos am Samstag, 5. Dezember, 13 bis 14 Uhr", "! says no"},
		{"31 November 13:00-14:00", "! no day"},
		{"Sat 5 Dec 25:00-26:00", "! no time \"25:00\""},
		{"Sat 5 Dec 13:60-14:00", "! no time \"13:60\""},
		{"Sat 5 Dec 13pm-14pm", "! no time \"13pm\""},
		{"Sat 5 Dec 14:00-13:00", "! before it starts"},
		{"Sat 5 Dec 2026 13:00:30-14:00", "! seconds"},
		{"Tue 24 Nov 2026 08:00-09:00", "! over already"},
		{"yesterday 1pm to 2pm", "! is over"},
		{"5 December 2031 13:00-14:00", "! a year ahead"},
		{"1 Dec 2026 13:00 to 3 Dec 2026 14:00", "! longer than a day"},
		{"", "! no time"},
	} {
		t.Run(c.text, func(t *testing.T) {
			w, err := Read(c.text, tuesday(), london(t))
			if want, refused := strings.CutPrefix(c.want, "! "); refused {
				if err == nil || !strings.Contains(err.Error(), want) {
					t.Errorf("read as %v to %v, %v; want an error with %q", w.Start, w.End, err, want)
				}
				return
			}
			if err != nil {
				t.Fatalf("refused: %v", err)
			}
			got := w.Start.Format("2006-01-02 15:04 ") + strings.TrimSuffix(strings.TrimSuffix(w.End.Sub(w.Start).String(), "0s"), "0m")
			if got != c.want && got+"0m" != c.want {
				t.Errorf("got %s, want %s (%v)", got, c.want, w.Read)
			}
		})
	}
}

func TestReadSaysHow(t *testing.T) {
	w, err := Read("Re: Hello\nYour free hour!\nSat 5 Dec, 11pm - 12.30am", tuesday(), london(t))
	if err == nil {
		t.Fatalf("12.30am was taken: %v", w)
	}
	w, err = Read("\n\n Subject: Your  free\u200b hour!\r\nSat 5 Dec, 11pm - 1am", tuesday(), london(t))
	if err != nil {
		t.Fatal(err)
	}
	if w.Title != "Your free hour!" {
		t.Errorf("title %q", w.Title)
	}
	got := ""
	for _, p := range w.Read {
		got += p.As + "=" + p.Text + "; "
	}
	if want := "day=Sat 5 Dec; start=11pm; end=1am; "; got != want {
		t.Errorf("read %q, want %q", got, want)
	}
	notes := strings.Join(w.Notes, "; ")
	for _, want := range []string{"no time zone is written: the times are taken in Europe/London", "Sat 5 Dec is taken as 5 December 2026", "ends on Sunday"} {
		if !strings.Contains(notes, want) {
			t.Errorf("notes %q lack %q", notes, want)
		}
	}
}

func FuzzRead(f *testing.F) {
	for _, s := range []string{
		"Free power this Saturday, 5 December, from 1pm to 2pm!", "05.12.2026, 13.00-14.00", "tomorrow 1-2pm UTC+1", "Sat 5 Dec 13h for 1h30",
		"from Fri 27 Nov 22:00 Europe/Paris to Sat 28 Nov 02:00", "5-6 Dec", "١٣:٠٠", "12 midnight to 1", "1 2 3 - - to to 24:00 am p.m. '26",
	} {
		f.Add(s)
	}
	zone := london(f)
	f.Fuzz(func(t *testing.T, s string) {
		w, err := Read(s, tuesday(), zone)
		if err != nil {
			if err.Error() == "" || strings.Contains(err.Error(), "\n") {
				t.Fatalf("the error is no line: %q", err)
			}
			return
		}
		if !w.End.After(w.Start) || w.End.Sub(w.Start) > 25*time.Hour || !w.End.After(tuesday()) {
			t.Fatalf("%v to %v", w.Start, w.End)
		}
		if w.Start.Second() != 0 || w.Title == "" || len([]rune(w.Title)) > mostTitle || strings.ContainsAny(w.Title, "\r\n") {
			t.Fatalf("%+v", w)
		}
		var day, start bool
		for _, p := range w.Read {
			day, start = day || p.As == "day", start || p.As == "start"
		}
		if !day || !start {
			t.Fatalf("no day or no start was read: %+v", w)
		}
	})
}
