package meter

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"
)

// The open household series: its README counts 22,536 rows with 15 duplicate midnights and 5 gaps; the values are those of
// FACTS 1.9 (S1, settlement periods 35 and 36 of 2013-11-20).
func TestHousehold(t *testing.T) {
	s, n, err := Read(shared(t, "uk-household-halfhour-1.csv.gz"), "h1", Layout{Columns: map[string]string{"time": "start", "energy": "value"}, Unit: "kWh"})
	if err != nil {
		t.Fatal(err)
	}
	if s.Len() != 22536-15 || len(s.Holes()) != 5 || len(n) != 2 {
		t.Errorf("%d readings, %d holes, notes\n%s", s.Len(), len(s.Holes()), notes(n))
	}
	from := at(t, "2013-11-20T17:00:00Z")
	if got := s.Energy(from, from+1800).RatString() + " " + s.Energy(from+1800, from+3600).RatString(); got != "396000000000 1245600000000" {
		t.Errorf("0.110 and 0.346 kWh, in microjoules: %s", got)
	}
	if march := at(t, "2013-03-31T00:00:00Z"); len(s.Cells(march, march+86400)) != 48 {
		t.Error("the clock of the series is not UTC")
	}
}

// The same collection's second sample has day and month transposed in places: it reads, and its holes are named.
func TestDirtyHousehold(t *testing.T) {
	s, n, err := Read(shared(t, "uk-household-halfhour-2.csv.gz"), "h2", Layout{})
	if err != nil {
		t.Fatal(err)
	}
	if s.Len() != 35468-24 || !strings.Contains(notes(n), "24 intervals are in the file twice") || !strings.Contains(notes(n), "2012-03-01T00:00:00Z to 2012-03-03T00:00:00Z") {
		t.Errorf("%d readings\n%s", s.Len(), notes(n))
	}
}

// What is written in any layout is read back, in a zone with both clock changes.
func TestRoundTrip(t *testing.T) {
	london := zone(t, "Europe/London")
	rapid.Check(t, func(t *rapid.T) {
		minutes := rapid.SampledFrom([]int{5, 15, 30, 60}).Draw(t, "minutes")
		day := rapid.SampledFrom([]string{"2026-03-28", "2026-10-24", "2026-06-12"}).Draw(t, "day")
		begin, _ := time.ParseInLocation(time.DateOnly, day, london)
		end := rapid.Bool().Draw(t, "end")
		naive := rapid.Bool().Draw(t, "naive")
		comma := rapid.Bool().Draw(t, "comma")
		back := rapid.Bool().Draw(t, "newest first")
		n := 3 * 24 * 60 / minutes
		var want []string
		var rows []string
		for i := range n {
			from := begin.UTC().Add(time.Duration(i*minutes) * time.Minute)
			value := decimal.New(rapid.Int64Range(0, 2_000_000).Draw(t, "value"), -6)
			want = append(want, fmt.Sprintf("%s %s %s", stamp(from.Unix()), time.Duration(minutes)*time.Minute, value))
			shown := from
			if end {
				shown = from.Add(time.Duration(minutes) * time.Minute)
			}
			clock := shown.In(london).Format("02/01/2006 15:04")
			if !naive {
				clock = shown.In(london).Format("2006-01-02T15:04:05-07:00")
			}
			number := value.String()
			if comma {
				number = strings.Replace(number, ".", ",", 1)
			}
			rows = append(rows, clock+";"+number)
		}
		if back {
			for i, j := 0, len(rows)-1; i < j; i, j = i+1, j-1 {
				rows[i], rows[j] = rows[j], rows[i]
			}
		}
		layout := Layout{Zone: london, Columns: map[string]string{"time": "when", "energy": "use"}, Stamp: "start", Dates: "dmy"}
		if end {
			layout.Stamp = "end"
		}
		s, _, err := Read(strings.NewReader("when;use\n"+strings.Join(rows, "\n")), "x", layout)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(strings.Join(want, "\n")+"\n", list(s)); d != "" {
			t.Fatalf("-want +got:\n%s", d)
		}
	})
}

// checkSeries fails on a series that breaks what Series promises.
func checkSeries(t *testing.T, s *Series) {
	t.Helper()
	r := s.Readings()
	for i, x := range r {
		if x.To <= x.From || x.Energy > most || x.Energy < -most || i > 0 && r[i-1].To > x.From {
			t.Fatalf("reading %d: %+v after %+v", i, x, r[max(0, i-1)])
		}
	}
	for i, h := range s.Holes() {
		if h.To <= h.From || h.Why == "" || i > 0 && s.Holes()[i-1].To > h.From || s.Covers(h.From, h.To) {
			t.Fatalf("hole %d: %+v", i, h)
		}
	}
}

func fuzz(f *testing.F) {
	f.Fuzz(func(t *testing.T, body []byte, end bool) {
		layout := Layout{Zone: zone(t, "Europe/London"), MaxBytes: 1 << 20}
		if end {
			layout.Stamp = "end"
		}
		s, n, err := Read(bytes.NewReader(body), "f", layout)
		if err != nil {
			if s != nil || n != nil || strings.Contains(err.Error(), "\n") {
				t.Fatalf("not one clear line, or something beside it: %q", err)
			}
			return
		}
		checkSeries(t, s)
		again, _, err := New("f", s.Readings(), s.Holes())
		if err != nil || again.Len() != s.Len() {
			t.Fatalf("made again of its own readings: %v", err)
		}
	})
}

func FuzzText(f *testing.F) {
	f.Add([]byte("start,value\n2026-01-05 17:00:00,0.110\n2026-01-05 17:30:00,0.346\n"), false)
	f.Add([]byte("start;end;value\n25/10/2026 01:00;25/10/2026 01:30;0,110\n25/10/2026 01:30;25/10/2026 01:00;0,346\n"), true)
	f.Add([]byte("date,time,kWh\n5 Jan 2026,00:30,1\n5 Jan 2026,24:00,1\n"), true)
	f.Add([]byte("x\ty\n1767632400\t1e3\n1767634200\t\n"), false)
	fuzz(f)
}

func FuzzGreenButton(f *testing.F) {
	f.Add([]byte(greenButton(typeEntry("1", energyTaken), meterEntry("1", "1"), blockEntry("1", noon, reading(noon, "110", quality(8))))), false)
	f.Add([]byte(`<feed><ReadingType><uom>72</uom></ReadingType><IntervalBlock><interval><start>1</start></interval><IntervalReading><value>1</value></IntervalReading></IntervalBlock></feed>`), false)
	fuzz(f)
}

func year() []byte {
	var b bytes.Buffer
	b.WriteString("start,value\n")
	for t := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC); t.Year() == 2025; t = t.Add(30 * time.Minute) {
		fmt.Fprintf(&b, "%s,0.%03d\n", t.Format(time.DateTime), t.Unix()/1800%997)
	}
	return b.Bytes()
}

// A year of half hours: to be read in well under a second.
func BenchmarkReadYear(b *testing.B) {
	body := year()
	layout := Layout{Columns: map[string]string{"time": "start", "energy": "value"}, Unit: "kWh"}
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := Read(bytes.NewReader(body), "year", layout); err != nil {
			b.Fatal(err)
		}
	}
}
