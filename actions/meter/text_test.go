package meter

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/text/encoding/unicode"
)

// The same two half hours in many layouts. The layouts are invented; each shows one thing that exports do.
func TestLayouts(t *testing.T) {
	const want = "2026-01-05T17:00:00Z 30m0s 0.11\n2026-01-05T17:30:00Z 30m0s 0.346\n"
	named := map[string]string{"time": "start", "energy": "value"}
	for _, c := range []struct {
		name, text string
		layout     Layout
	}{
		{"plain", "start,value\n2026-01-05 17:00:00,0.110\n2026-01-05 17:30:00,0.346\n", Layout{}},
		{"named", "start,value\n2026-01-05 17:00:00,0.110\n2026-01-05 17:30:00,0.346\n", Layout{Columns: named, Unit: "kWh", Stamp: "start"}},
		{"named in other letter case", "Value,x,START\n0.110,9,2026-01-05 17:00:00\n0.346,9,2026-01-05 17:30:00\n", Layout{Columns: named}},
		{"numbered", "a,b,c\n2026-01-05 17:00,5,0.110\n2026-01-05 17:30,6,0.346\n", Layout{Columns: map[string]string{"time": "1", "energy": "3"}}},
		{"numbered without a header", "2026-01-05 17:00,0.110\n2026-01-05 17:30,0.346\n", Layout{Columns: map[string]string{"time": "1", "energy": "2"}}},
		{"a header that is a number wins", "2,1\n2026-01-05 17:00,0.110\n2026-01-05 17:30,0.346\n", Layout{Columns: map[string]string{"time": "2", "energy": "1"}}},
		{"no header", "2026-01-05 17:00,0.110\n2026-01-05 17:30,0.346\n", Layout{}},
		{"ends", "start,value\n2026-01-05 17:30,0.110\n2026-01-05 18:00,0.346\n", Layout{Columns: named, Stamp: "end"}},
		{"ends by the header", "period ending,kWh\n2026-01-05 17:30,0.110\n2026-01-05 18:00,0.346\n", Layout{}},
		{"both ends", "intervalStart,intervalEnd,kWh\n2026-01-05 17:00,2026-01-05 17:30,0.110\n2026-01-05 17:30,2026-01-05 18:00,0.346\n", Layout{}},
		{"decimal comma", "start;value\n2026-01-05 17:00;0,110\n2026-01-05 17:30;0,346\n", Layout{}},
		{"decimal comma in quotes", "start,value\n2026-01-05 17:00,\"0,110\"\n2026-01-05 17:30,\"0,346\"\n", Layout{}},
		{"tabs and a decimal comma", "start\tvalue\n05.01.2026 17:00\t0,11\n05.01.2026 17:30\t0,346\n", Layout{}},
		{"bars", "start|value\n2026-01-05 17:00|0.110\n2026-01-05 17:30|0.346\n", Layout{}},
		{"Wh", "start,value\n2026-01-05 17:00,110\n2026-01-05 17:30,346\n", Layout{Columns: named, Unit: "Wh"}},
		{"Wh by the header", "start,energy (Wh)\n2026-01-05 17:00,110\n2026-01-05 17:30,346\n", Layout{}},
		{"mean W", "start,value\n2026-01-05 17:00,220\n2026-01-05 17:30,692\n", Layout{Columns: named, Unit: "W"}},
		{"mean kW by the header", "start,Import [kW]\n2026-01-05 17:00,0.220\n2026-01-05 17:30,0.692\n", Layout{}},
		{"a zone", "start,value\n2026-01-05 18:00,0.110\n2026-01-05 18:30,0.346\n", Layout{Zone: zone(t, "Europe/Berlin")}},
		{"offsets win over the zone", "start,value\n2026-01-05T19:00+02:00,0.110\n2026-01-05T17:30Z,0.346\n", Layout{Zone: zone(t, "Europe/Berlin")}},
		{"date and time apart", "Date,Time,kWh\n05/01/2026,17:00,0.110\n05/01/2026,17:30,0.346\n", Layout{Dates: "dmy"}},
		{"date and period", "day,sp,kWh\n2026-01-05,35,0.110\n2026-01-05,36,0.346\n", Layout{Columns: map[string]string{"date": "day", "period": "sp", "energy": "kWh"}, Interval: 30 * time.Minute}},
		{"a preamble", "Meter export\nPremises,Far Meadow\n\nstart,value\n2026-01-05 17:00,0.110\n2026-01-05 17:30,0.346\n", Layout{Columns: named}},
		{"a preamble, guessed", "Meter export for Far Meadow\nfrom 2026\n\nstart,value\n2026-01-05 17:00,0.110\n2026-01-05 17:30,0.346\n", Layout{}},
		{"newest first", "start,value\n2026-01-05 17:30,0.346\n2026-01-05 17:00,0.110\n", Layout{}},
		{"seconds since 1970", "time,value\n1767632400,0.110\n1767634200,0.346\n", Layout{Columns: map[string]string{"time": "time", "energy": "value"}}},
		{"month first", "start,value\n1/5/2026 17:00,0.110\n1/5/2026 17:30,0.346\n", Layout{Dates: "mdy"}},
		{"blank lines and CRLF", "start,value\r\n2026-01-05 17:00,0.110\r\n\r\n2026-01-05 17:30,0.346\r\n,\r\n", Layout{}},
		{"a byte order mark", "\ufeffstart,value\n2026-01-05 17:00,0.110\n2026-01-05 17:30,0.346\n", Layout{Columns: named}},
		{"other numbers beside it", "id,start,Consumption (kWh),cost\n1,2026-01-05 17:00,0.110,3.1\n2,2026-01-05 17:30,0.346,9.7\n", Layout{}},
		{"import beside export", "start,export kWh,import kWh\n2026-01-05 17:00,1,0.110\n2026-01-05 17:30,2,0.346\n", Layout{}},
		{"spaces", "start, value\n2026-01-05 17:00 , 0.110 \n2026-01-05 17:30 , 0.346 \n", Layout{Columns: named}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, _ := readString(t, c.text, c.layout)
			if d := cmp.Diff(want, list(s)); d != "" {
				t.Errorf("-want +got:\n%s", d)
			}
		})
	}
}

func TestIntervals(t *testing.T) {
	for _, minutes := range []int{5, 15, 30, 60} {
		var b strings.Builder
		b.WriteString("start,value\n")
		for i := range 50 {
			if i%7 != 3 { // some are missing
				fmt.Fprintf(&b, "%s,1\n", time.Date(2026, 1, 5, 0, i*minutes, 0, 0, time.UTC).Format("2006-01-02 15:04"))
			}
		}
		s, _ := readString(t, b.String(), Layout{})
		if r := s.Readings()[0]; r.To-r.From != int64(minutes)*60 {
			t.Errorf("%d minutes: read as %d s", minutes, r.To-r.From)
		}
		if got := len(s.Holes()); got != 7 {
			t.Errorf("%d minutes: %d holes, want 7", minutes, got)
		}
	}
}

// What a file says wrongly or not at all is one line, with a line number where there is one, and nothing is taken.
func TestRefused(t *testing.T) {
	named := Layout{Columns: map[string]string{"time": "start", "energy": "value"}}
	half := func(values ...string) string {
		var b strings.Builder
		b.WriteString("start,value\n")
		for i, v := range values {
			fmt.Fprintf(&b, "%s,%s\n", time.Date(2026, 1, 5, 0, i*30, 0, 0, time.UTC).Format("2006-01-02 15:04"), v)
		}
		return b.String()
	}
	steps := func(n int, minutes int, from time.Time) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, "%s,1\n", from.Add(time.Duration(i*minutes)*time.Minute).Format("2006-01-02 15:04"))
		}
		return b.String()
	}
	day := time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name, text string
		layout     Layout
		want       string
	}{
		{"empty", "", Layout{}, "f.csv: is empty"},
		{"a web page", "<!DOCTYPE html><html></html>", Layout{}, "f.csv: is a web page"},
		{"JSON", "{\"a\":1}", Layout{}, "f.csv: is JSON"},
		{"a spreadsheet", "PK\x03\x04xxxx", Layout{}, "f.csv: is a zip archive or a spreadsheet"},
		{"binary", "a\x00b", Layout{}, "f.csv: is no text"},
		{"prose", "Dear customer,\nhere are your figures.\n", Layout{}, "f.csv: has another layout"},
		{"no columns", "hello\nworld\n", Layout{}, "f.csv: has no columns"},
		{"no such column", half("1", "2"), Layout{Columns: map[string]string{"time": "start", "energy": "kwh"}}, `f.csv: has no column "kwh": its columns are "start", "value"`},
		{"no such number beside a name", half("1", "2"), Layout{Columns: map[string]string{"time": "start", "energy": "7"}}, "f.csv: has no column 7: its widest row has 2"},
		{"no such number", half("1", "2"), Layout{Columns: map[string]string{"time": "1", "energy": "7"}}, "f.csv: has no column 7: its widest row has 2"},
		{"header alone", "start,value\n", named, "f.csv: no reading in it"},
		{"a total at the end", half("1", "2") + "Total,3\n", named, `f.csv:4: "Total" is no time`},
		{"text for a value", half("1", "much"), named, `f.csv:3: "much" is no number`},
		{"two columns of numbers", "start,a,b\n2026-01-05 00:00,1,2\n2026-01-05 00:30,1,2\n", Layout{}, `f.csv: has several columns of numbers: say with column.energy which is the energy; its columns are "start", "a", "b"`},
		{"a decimal comma that separates", "start,value\n2026-01-05 00:00,0,123\n2026-01-05 00:30,0,125\n", named, "f.csv: has 2 columns in its header and 3 in its rows: a decimal comma"},
		{"one reading", half("1"), named, "f.csv: has one reading only"},
		{"days", "start,value\n2026-01-05 00:00,1\n2026-01-06 00:00,2\n2026-01-07 00:00,3\n", named, "f.csv: has a stamp every 24h0m0s: intervals of 5, 15, 30 or 60 minutes are read"},
		{"a change of interval", "start,value\n" + steps(24, 60, day) + steps(48, 30, day.AddDate(0, 0, 1)), named, "f.csv: changes from intervals of 30 minutes to 60 at 2026-01-05T00:00:00Z: split it there"},
		{"dates either way", "start,value\n05/06/2026 00:00,1\n05/06/2026 00:30,2\n", named, "f.csv: has dates such as 05/06 that can be read either way"},
		{"dates both ways", "start,value\n25/06/2026 00:00,1\n06/25/2026 00:30,2\n", named, "f.csv: has dates that are neither all day first nor all month first"},
		{"below zero", half("0.1", "-0.2", "0.3"), named, "f.csv:3: -0.2 kWh is below zero"},
		{"a register", half("12345.6", "12345.9", "12346.1", "12346.2", "12346.2", "12347"), named, "f.csv: holds readings of a register, not of intervals (they only rise, from 12345.6 to 12347 kWh)"},
		{"too much", half("0.1", "99999", "0.2"), named, "f.csv:3: 99999 kWh is more than a meter of premises shows in one interval: is the unit right?"},
		{"an hour that the clocks skip", "start,value\n2026-03-29 00:30,1\n2026-03-29 01:00,1\n2026-03-29 02:00,1\n", Layout{Zone: zone(t, "Europe/London")}, "f.csv:3: 2026-03-29 01:00 does not exist in Europe/London"},
		{"an unknown abbreviation", "start,value\n2026-03-29 00:30 EST,1\n2026-03-29 01:00 EST,1\n", Layout{Zone: zone(t, "Europe/London")}, `f.csv:2: "EST" is not what clocks in Europe/London go by then`},
		{"an end before its start", "start,end,value\n2026-03-29 00:30,2026-03-29 00:00,1\n", Layout{}, "f.csv:2: its end is not after its start"},
		{"many contradictions", "start,value\n" + steps(30, 30, day) + strings.ReplaceAll(steps(30, 30, day), ",1", ",2"), named, "f.csv: 60 of 60 readings contradict another of the same time, so they are of more than one meter"},
		{"a bad unit", half("1", "2"), Layout{Unit: "J"}, `f.csv: layout: "J" is no unit of a meter`},
		{"a bad stamp", half("1", "2"), Layout{Stamp: "middle"}, `f.csv: layout: stamp "middle"`},
		{"a bad column key", half("1", "2"), Layout{Columns: map[string]string{"watts": "1"}}, `f.csv: layout: column "watts"`},
		{"too large", half("1", "2"), Layout{MaxBytes: 10}, "f.csv: is larger than 1 MiB"},
		{"NEM12", "100,NEM12,202601050000,A,B\n", Layout{}, "f.csv: is a NEM12 file, which is not read"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, n, err := Read(strings.NewReader(c.text), "f.csv", c.layout)
			if err == nil {
				t.Fatalf("taken: %s%s", list(s), notes(n))
			}
			if s != nil || n != nil {
				t.Error("something was taken beside the error")
			}
			if got := err.Error(); !strings.HasPrefix(got, c.want) || strings.Contains(got, "\n") {
				t.Errorf("%s\nwant %s", got, c.want)
			}
		})
	}
}

// Guesses and findings are said.
func TestNotes(t *testing.T) {
	named := Layout{Columns: map[string]string{"time": "start", "energy": "value"}, Stamp: "start", Unit: "kWh"}
	rows := func(lines ...string) string { return "start,value\n" + strings.Join(lines, "\n") + "\n" }
	for _, c := range []struct {
		name, text string
		layout     Layout
		want       []string
	}{
		{"nothing to say", rows("2026-01-05 17:00,1", "2026-01-05 17:30,2"), named, nil},
		{"guesses", rows("2026-01-05 17:00,1", "2026-01-05 17:30,2"), Layout{}, []string{
			`f.csv: took column 1 "start" as the time: it holds stamps`,
			`f.csv: took column 2 "value" as the energy: it is the only other column of numbers`}},
		{"a gap", rows("2026-01-05 17:00,1", "2026-01-05 17:30,2", "2026-01-05 18:30,2"), named, []string{
			"f.csv: 1 gap (no reading): 2026-01-05T18:00:00Z to 2026-01-05T18:30:00Z"}},
		{"an empty cell", rows("2026-01-05 17:00,1", "2026-01-05 17:30,", "2026-01-05 18:00,n/a", "2026-01-05 18:30,1"), named, []string{
			"f.csv: 2 gaps (an empty reading): 2026-01-05T17:30:00Z to 2026-01-05T18:00:00Z, 2026-01-05T18:00:00Z to 2026-01-05T18:30:00Z"}},
		{"twice, equal", rows("2026-01-05 17:00,1", "2026-01-05 17:00,1.0", "2026-01-05 17:30,2"), named, []string{
			"f.csv: 1 interval is in the file twice with equal values: counted once"}},
		{"twice, different", rows("2026-01-05 17:00,1", "2026-01-05 17:30,2", "2026-01-05 17:30,3", "2026-01-05 18:00,2"), named, []string{
			"f.csv: 1 gap (two readings with different values): 2026-01-05T17:30:00Z to 2026-01-05T18:00:00Z"}},
		{"overlapping", "start,end,value\n2026-01-05 17:00,2026-01-05 17:30,1\n2026-01-05 17:15,2026-01-05 17:45,1\n2026-01-05 18:00,2026-01-05 18:30,1\n", Layout{Columns: map[string]string{"time": "start", "end": "end", "energy": "value"}}, []string{
			"f.csv: 1 gap (readings that overlap): 2026-01-05T17:00:00Z to 2026-01-05T17:45:00Z"}},
		{"newest first", rows("2026-01-05 17:30,1", "2026-01-05 17:00,2"), named, []string{"f.csv: its newest row comes first: read backwards"}},
		{"a header of ends", "kWh,time to\n1,2026-01-05 17:00\n2,2026-01-05 17:30\n", Layout{Columns: map[string]string{"time": "time to", "energy": "1"}, Stamp: "start"}, []string{
			`f.csv: its header "time to" speaks of ends, but the stamps are configured as starts, which counts`}},
		{"a header of another unit", "start,Wh\n2026-01-05 17:00,1\n2026-01-05 17:30,2\n", Layout{Columns: map[string]string{"time": "start", "energy": "Wh"}, Unit: "kWh"}, []string{
			`f.csv: its header "Wh" names another unit than the configured kWh, which counts`}},
		{"a comma that may be either", "start;value\n2026-01-05 17:00;1,234\n2026-01-05 17:30;2,345\n", Layout{Columns: named.Columns, Unit: "kWh"}, []string{
			"f.csv: took the comma in its numbers as a decimal mark, as commas do not separate its columns; if it groups thousands, set the decimal mark"}},
		{"finer than a microjoule", rows("2026-01-05 17:00,0.30000000000000004", "2026-01-05 17:30,2"), named, []string{
			"f.csv: 1 value is finer than a microjoule: rounded half to even"}},
		{"days first", rows("31/01/2026 23:30,1", "01/02/2026 00:00,2"), named, []string{
			"f.csv: took the day first in its dates, as some would have no such month"}},
		{"days first by their order", rows("01/02/2026 23:30,1", "02/02/2026 00:00,2", "02/02/2026 00:30,2"), named, []string{
			"f.csv: took the day first in its dates, as they then follow each other"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, got := readString(t, c.text, c.layout)
			if d := cmp.Diff(strings.Join(c.want, "\n"), notes(got)); d != "" {
				t.Errorf("-want +got:\n%s", d)
			}
		})
	}
}

// The hour that the autumn change repeats is told by the order of the file, whichever end the stamps are and however the
// end that falls on the change itself is written. London, 2026-10-25: 01:00 to 02:00 comes twice (FACTS 1.12).
func TestClockChanges(t *testing.T) {
	london := zone(t, "Europe/London")
	autumn := []string{"2026-10-24T23:30:00Z", "2026-10-25T00:00:00Z", "2026-10-25T00:30:00Z", "2026-10-25T01:00:00Z", "2026-10-25T01:30:00Z", "2026-10-25T02:00:00Z"}
	spring := []string{"2026-03-29T00:00:00Z", "2026-03-29T00:30:00Z", "2026-03-29T01:00:00Z", "2026-03-29T01:30:00Z"}
	for _, c := range []struct {
		name, day, stamp string
		clocks           []string
		want             []string
		note             string
	}{
		{"starts in autumn", "2026-10-25", "start", []string{"00:30", "01:00", "01:30", "01:00", "01:30", "02:00"}, autumn, ""},
		{"ends in autumn", "2026-10-25", "end", []string{"01:00", "01:30", "01:00", "01:30", "02:00", "02:30"}, autumn, ""},
		{"ends in autumn, the change as 02:00", "2026-10-25", "end", []string{"01:00", "01:30", "02:00", "01:30", "02:00", "02:30"}, autumn, ""},
		{"names in autumn", "2026-10-25", "start", []string{"00:30 BST", "01:00 BST", "01:30 BST", "01:00 GMT", "01:30 GMT", "02:00 GMT"}, autumn, ""},
		{"newest first in autumn", "2026-10-25", "start", []string{"02:00", "01:30", "01:00", "01:30", "01:00", "00:30"}, autumn, "its newest row comes first: read backwards"},
		{"one missing in the second pass", "2026-10-25", "start", []string{"00:00", "00:30", "01:00", "01:30", "01:30", "02:00"},
			[]string{"2026-10-24T23:00:00Z", "2026-10-24T23:30:00Z", "2026-10-25T00:00:00Z", "2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z", "2026-10-25T02:00:00Z"},
			"stamps in the hour that the clocks repeat come once (2026-10-25 01:00): taken as the first pass"},
		{"48 rows in autumn", "2026-10-25", "start", []string{"00:30", "01:00", "01:30", "02:00"},
			[]string{"2026-10-24T23:30:00Z", "2026-10-25T00:00:00Z", "2026-10-25T00:30:00Z", "2026-10-25T02:00:00Z"},
			"stamps in the hour that the clocks repeat come once (2026-10-25 01:00, 2026-10-25 01:30): taken as the first pass"},
		{"starts in spring", "2026-03-29", "start", []string{"00:00", "00:30", "02:00", "02:30"}, spring, ""},
		{"ends in spring", "2026-03-29", "end", []string{"00:30", "02:00", "02:30", "03:00"}, spring, ""},
		{"ends in spring, the change as 01:00", "2026-03-29", "end", []string{"00:30", "01:00", "02:30", "03:00"}, spring, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := "time,kWh\n"
			for _, clock := range c.clocks {
				text += c.day + " " + clock + ",1\n"
			}
			s, n := readString(t, text, Layout{Zone: london, Stamp: c.stamp, Columns: map[string]string{"time": "time", "energy": "kWh"}, Interval: 30 * time.Minute})
			var got []string
			for _, r := range s.Readings() {
				got = append(got, stamp(r.From))
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("-want +got:\n%s", d)
			}
			if !strings.Contains(notes(n), c.note) || c.note == "" && strings.Contains(notes(n), "clocks") {
				t.Errorf("notes %q, want %q", notes(n), c.note)
			}
		})
	}
}

// Exports with 48 rows on every day fill the hour that does not exist.
func TestSkippedHourFilled(t *testing.T) {
	text := "time,kWh\n2026-03-29 00:30,1\n2026-03-29 01:00,0\n2026-03-29 01:30,\n2026-03-29 02:00,2\n"
	s, n := readString(t, text, Layout{Zone: zone(t, "Europe/London")})
	if d := cmp.Diff("2026-03-29T00:30:00Z 30m0s 1\n2026-03-29T01:00:00Z 30m0s 2\n", list(s)); d != "" {
		t.Error(d)
	}
	if !strings.Contains(notes(n), "2 empty rows in an hour that the clocks skip: left out") {
		t.Error(notes(n))
	}
}

// Period numbers count from local midnight: 46 half hours on the spring day and 50 on the autumn day (Elexon glossary,
// Settlement Period; instants as in FACTS 1.12).
func TestPeriods(t *testing.T) {
	for _, c := range []struct {
		day         string
		periods     int
		first, last string
	}{
		{"2026-03-29", 46, "2026-03-29T00:00:00Z", "2026-03-29T22:30:00Z"},
		{"2026-10-25", 50, "2026-10-24T23:00:00Z", "2026-10-25T23:30:00Z"},
		{"2027-03-28", 46, "2027-03-28T00:00:00Z", "2027-03-28T22:30:00Z"},
		{"2027-10-31", 50, "2027-10-30T23:00:00Z", "2027-10-31T23:30:00Z"},
		{"2026-06-12", 48, "2026-06-11T23:00:00Z", "2026-06-12T22:30:00Z"},
	} {
		text := "date,sp,kWh\n"
		for p := range c.periods {
			text += fmt.Sprintf("%s,%d,1\n", c.day, p+1)
		}
		l := Layout{Zone: zone(t, "Europe/London"), Columns: map[string]string{"date": "date", "period": "sp", "energy": "kWh"}}
		s, _ := readString(t, text, l)
		r := s.Readings()
		if got, want := stamp(r[0].From)+" "+stamp(r[len(r)-1].From), c.first+" "+c.last; got != want || len(s.Holes()) > 0 {
			t.Errorf("%s: %s, want %s; holes %v", c.day, got, want, s.Holes())
		}
		l.Interval = 30 * time.Minute
		_, _, err := Read(strings.NewReader(text+fmt.Sprintf("%s,%d,1\n", c.day, c.periods+1)), "f.csv", l)
		if want := fmt.Sprintf("f.csv:%d: the day has no interval %d", c.periods+2, c.periods+1); err == nil || err.Error() != want {
			t.Errorf("%v, want %s", err, want)
		}
	}
}

func TestRegisterDifferenced(t *testing.T) {
	text := "time,kWh\n2026-01-05 00:00,100\n2026-01-05 00:30,100.5\n2026-01-05 01:00,100.6\n2026-01-05 02:00,101\n2026-01-05 02:30,3\n2026-01-05 03:00,3.25\n"
	s, n := readString(t, text, Layout{Register: true})
	want := "2026-01-05T00:00:00Z 30m0s 0.5\n2026-01-05T00:30:00Z 30m0s 0.1\n2026-01-05T02:30:00Z 30m0s 0.25\n"
	if d := cmp.Diff(want, list(s)); d != "" {
		t.Error(d)
	}
	if !strings.Contains(notes(n), "its register goes back at 2026-01-05T02:30:00Z: a gap") {
		t.Error(notes(n))
	}
}

func TestNet(t *testing.T) {
	s, _ := readString(t, "time,kWh\n2026-01-05 00:00,0.5\n2026-01-05 00:30,-0.25\n", Layout{Net: true})
	if got := list(s); !strings.Contains(got, "00:30:00Z 30m0s -0.25") {
		t.Error(got)
	}
}

// Values that rise for a while, or are high and even, are no register.
func TestNoRegister(t *testing.T) {
	for name, value := range map[string]func(i int) string{
		"a rising morning":       func(i int) string { return fmt.Sprintf("0.%02d", 10+i) },
		"all equal":              func(int) string { return "5" },
		"all zero":               func(int) string { return "0" },
		"a thousandth more each": func(i int) string { return fmt.Sprintf("1.%03d", i) },
		"zero and up":            func(i int) string { return fmt.Sprintf("%d.%03d", i/1000, i%1000) },
	} {
		text := "time,kWh\n"
		for i := range 60 {
			text += time.Date(2026, 1, 5, 0, i*30, 0, 0, time.UTC).Format("2006-01-02 15:04") + "," + value(i) + "\n"
		}
		if _, _, err := Read(strings.NewReader(text), "f.csv", Layout{}); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestPacked(t *testing.T) {
	const text = "start,value\n2026-01-05 17:00,0.110\n2026-01-05 17:30,0.346\n"
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, _ = z.Write([]byte(text))
	_ = z.Close()
	wide, err := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder().String(text)
	if err != nil {
		t.Fatal(err)
	}
	for name, body := range map[string]string{"gzip": packed.String(), "UTF-16": wide} {
		s, _, err := Read(strings.NewReader(body), name, Layout{})
		if err != nil || s.Len() != 2 {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, _, err := Read(bytes.NewReader(packed.Bytes()[:packed.Len()-6]), "cut.gz", Layout{}); err == nil || err.Error() != "cut.gz: is cut off: fetch it again" {
		t.Errorf("a cut file: %v", err)
	}
	// A small file that unpacks to a very large one is given up at the limit.
	var bomb bytes.Buffer
	z = gzip.NewWriter(&bomb)
	_, _ = z.Write([]byte("start,value\n"))
	for range 40 {
		_, _ = z.Write(bytes.Repeat([]byte("2026-01-05 17:00,0.110\n"), 10_000))
	}
	_ = z.Close()
	if _, _, err := Read(&bomb, "bomb.gz", Layout{MaxBytes: 1 << 20}); err == nil || err.Error() != "bomb.gz: is larger than 1 MiB: split it, or keep the rows that matter" {
		t.Errorf("a bomb: %v", err)
	}
}
