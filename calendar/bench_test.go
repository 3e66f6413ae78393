package calendar

import (
	"bytes"
	"fmt"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"spillway/calendar/scan"
)

// generatedFeed makes a feed of n events, 80 % single ones spread over four years and 20 % that recur since 2015. The C
// benchmark beside CI reads the same bytes.
func generatedFeed(n int) []byte {
	var b strings.Builder
	b.WriteString("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Spillway//bench//EN\r\n")
	b.WriteString("BEGIN:VTIMEZONE\r\nTZID:Europe/London\r\n" +
		"BEGIN:DAYLIGHT\r\nTZOFFSETFROM:+0000\r\nTZOFFSETTO:+0100\r\nTZNAME:BST\r\nDTSTART:19700329T010000\r\nRRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=-1SU\r\nEND:DAYLIGHT\r\n" +
		"BEGIN:STANDARD\r\nTZOFFSETFROM:+0100\r\nTZOFFSETTO:+0000\r\nTZNAME:GMT\r\nDTSTART:19701025T020000\r\nRRULE:FREQ=YEARLY;BYMONTH=10;BYDAY=-1SU\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\n")
	rules := []string{"FREQ=DAILY", "FREQ=WEEKLY;BYDAY=MO,WE,FR", "FREQ=WEEKLY;INTERVAL=2;BYDAY=TU", "FREQ=MONTHLY;BYMONTHDAY=25", "FREQ=MONTHLY;BYDAY=-1FR", "FREQ=YEARLY"}
	for i := range n {
		day := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, i*7919%1461)
		rule := ""
		if i%5 == 0 {
			day = time.Date(2015, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, i*31%300)
			rule = "RRULE:" + rules[i/5%len(rules)] + "\r\n"
		}
		h := 6 + i%14
		fmt.Fprintf(&b, "BEGIN:VEVENT\r\nUID:event-%07d@calendar.example\r\nDTSTAMP:20260101T000000Z\r\nDTSTART;TZID=Europe/London:%sT%02d%02d00\r\n"+
			"DTEND;TZID=Europe/London:%sT%02d%02d00\r\n%sSUMMARY:Cheap power number %d\r\nDESCRIPTION:Half-hourly rates are low in this window\\; run what can run. Event\r\n"+
			"  number %d of the generated feed.\r\nCATEGORIES:surplus\r\nLOCATION:Low Barn\r\nSEQUENCE:0\r\nSTATUS:CONFIRMED\r\nTRANSP:OPAQUE\r\nEND:VEVENT\r\n",
			i, day.Format("20060102"), h, i%4*15, day.Format("20060102"), h+1, i%4*15, rule, i, i)
	}
	b.WriteString("END:VCALENDAR\r\n")
	return []byte(b.String())
}

func benchOptions() Options {
	loc, _ := time.LoadLocation("Europe/London")
	from := time.Date(2026, 10, 20, 0, 0, 0, 0, time.UTC)
	return Options{Zone: loc, From: from, To: from.AddDate(0, 0, 14)}
}

func BenchmarkRead(b *testing.B) {
	for _, n := range []int{1, 10, 100, 1000, 10_000, 100_000} {
		body, o := generatedFeed(n), benchOptions()
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.SetBytes(int64(len(body)))
			b.ReportAllocs()
			found := 0
			for b.Loop() {
				res, err := Read(body, o)
				if err != nil || len(res.Problems) > 0 {
					b.Fatal(err, res.Problems)
				}
				found = len(res.Occurrences)
			}
			b.ReportMetric(float64(found), "occurrences")
		})
	}
}

// BenchmarkTouch looks at every byte of a feed once, for its line ends: no reader can be faster.
func BenchmarkTouch(b *testing.B) {
	body := generatedFeed(100_000)
	b.SetBytes(int64(len(body)))
	for b.Loop() {
		if bytes.Count(body, []byte("\n")) < 100_000 {
			b.Fatal("too few lines")
		}
	}
}

// BenchmarkSplit finds the events of a feed and decides which of them can touch the range, without reading any.
func BenchmarkSplit(b *testing.B) {
	for _, n := range []int{1, 10, 100, 1000, 10_000} {
		body, o := generatedFeed(n), benchOptions()
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.SetBytes(int64(len(body)))
			for b.Loop() {
				r := newReader(o)
				r.expect(n)
				if scan.Walk(body, r); len(r.records) != n {
					b.Fatal(len(r.records))
				}
			}
		})
	}
}

// BenchmarkDecode reads the properties of every event, also of those that a poll passes over.
func BenchmarkDecode(b *testing.B) {
	for _, n := range []int{1, 10, 100, 1000, 10_000} {
		body := generatedFeed(n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			r := newReader(benchOptions())
			r.expect(n)
			scan.Walk(body, r)
			for b.Loop() {
				for i := range r.records {
					if _, err := r.decode(&r.records[i]); err != nil {
						b.Fatal(err)
					}
				}
			}
		})
	}
}

// BenchmarkExpand works out the instances of decoded events in two weeks, eleven years after the first of them.
func BenchmarkExpand(b *testing.B) {
	for _, n := range []int{1, 10, 100, 1000, 10_000} {
		body := generatedFeed(n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			r := newReader(benchOptions())
			r.expect(n)
			scan.Walk(body, r)
			var events []*event
			for i := range r.records {
				e, err := r.decode(&r.records[i])
				if err != nil {
					b.Fatal(err)
				}
				events = append(events, e)
			}
			for b.Loop() {
				r.found = r.found[:0]
				for _, e := range events {
					x := expansion{reader: r, budget: r.budget(), before: len(r.found)}
					if err := x.expandMaster(e); err != nil {
						b.Fatal(err)
					}
				}
			}
		})
	}
}

// BenchmarkReadCollection reads a CalDAV collection: every event is a VCALENDAR of its own, with its VTIMEZONE.
func BenchmarkReadCollection(b *testing.B) {
	feed := string(generatedFeed(10_000))
	head, rest, _ := strings.Cut(feed, "BEGIN:VEVENT\r\n")
	var all strings.Builder
	for e := range strings.SplitSeq(strings.TrimSuffix(rest, "END:VCALENDAR\r\n"), "BEGIN:VEVENT\r\n") {
		all.WriteString(head + "BEGIN:VEVENT\r\n" + e + "END:VCALENDAR\r\n")
	}
	body, o := []byte(all.String()), benchOptions()
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	for b.Loop() {
		if res, err := Read(body, o); err != nil || len(res.Occurrences) < 7000 {
			b.Fatal(err, len(res.Occurrences))
		}
	}
}

func BenchmarkEncode(b *testing.B) {
	for _, n := range []int{1, 10, 100, 1000, 10_000} {
		p := Publication{ProdID: "-//Spillway//EN", Name: "Plan"}
		for i := range n {
			e := sampleEntry()
			e.UID = fmt.Sprint(i)
			p.Entries = append(p.Entries, e)
		}
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Encode(p); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// TestReadMemory bounds what a large feed leaves and takes at once. It also writes the feed for the C benchmark when asked.
func TestReadMemory(t *testing.T) {
	body := generatedFeed(100_000)
	if path := os.Getenv("SPILLWAY_BENCH_FEED"); path != "" {
		if err := os.WriteFile(path, body, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	res, err := Read(body, benchOptions())
	runtime.ReadMemStats(&after)
	if err != nil {
		t.Fatal(err)
	}
	if total := after.TotalAlloc - before.TotalAlloc; total > 150<<20 {
		t.Errorf("%d MB allocated for %d occurrences", total>>20, len(res.Occurrences))
	}
}
