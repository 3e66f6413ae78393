package meter

import (
	"fmt"
	"math/big"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The published sample files of the OpenESPI project and the Green Button Alliance (Apache-2.0). Counts, sums and values are
// those of FACTS 1.13; the hourly file's own usage summary says 2278213 Wh too.
func TestGreenButtonSamples(t *testing.T) {
	for _, c := range []struct {
		file        string
		readings    int
		seconds     int64
		first, last string
		wh          int64 // 0: no published sum
		head        []int64
	}{
		{"greenbutton-15minLP_15Days.xml", 1340, 900, "2012-03-01T05:00:00Z", "2012-03-15T03:45:00Z", 1_397_734, []int64{324, 321, 328, 314, 289, 286}},
		{"greenbutton-hourlyForMonthMar.xml", 743, 3600, "2011-03-01T05:00:00Z", "2011-04-01T03:00:00Z", 2_278_213, []int64{981, 930}},
		{"greenbutton-gba-test_usage_data_01.xml", 96, 900, "2012-03-01T05:00:00Z", "2012-03-02T04:45:00Z", 0, []int64{282}},
	} {
		t.Run(c.file, func(t *testing.T) {
			s, _, err := Read(shared(t, c.file), c.file, Layout{})
			if err != nil {
				t.Fatal(err)
			}
			r := s.Readings()
			if len(r) != c.readings || stamp(r[0].From) != c.first || stamp(r[len(r)-1].From) != c.last || len(s.Holes()) != 0 {
				t.Fatalf("%d readings from %s to %s, holes %v", len(r), stamp(r[0].From), stamp(r[len(r)-1].From), s.Holes())
			}
			for i, wh := range c.head {
				if r[i].Energy != Energy(wh*3_600_000_000) || r[i].To-r[i].From != c.seconds {
					t.Errorf("reading %d: %s over %d s, want %d Wh over %d s", i, r[i].Energy, r[i].To-r[i].From, wh, c.seconds)
				}
			}
			if sum := new(big.Int).Div(s.Sum(), big.NewInt(3_600_000_000)); c.wh != 0 && sum.Int64() != c.wh {
				t.Errorf("sum %s Wh, want %d", sum, c.wh)
			}
		})
	}
}

// The first day of the quarter-hour file and its first half hours (FACTS 1.13: 93567 Wh; 645, 642, 575, 588 Wh).
func TestGreenButtonResampled(t *testing.T) {
	s, _, err := Read(shared(t, "greenbutton-15minLP_15Days.xml"), "x", Layout{})
	if err != nil {
		t.Fatal(err)
	}
	from := s.Readings()[0].From
	wh := func(a, b int64) string {
		return new(big.Rat).Quo(s.Energy(a, b), big.NewRat(3_600_000_000, 1)).RatString()
	}
	if got := wh(from, from+96*900); got != "93567" {
		t.Errorf("first 96 readings: %s Wh", got)
	}
	for i, want := range []string{"645", "642", "575", "588"} {
		if got := wh(from+int64(i)*1800, from+int64(i+1)*1800); got != want {
			t.Errorf("half hour %d: %s Wh, want %s", i, got, want)
		}
	}
}

// greenButton writes a small feed: the entries are what stands between its tags.
func greenButton(entries ...string) string {
	return `<?xml version="1.0"?><feed xmlns="http://www.w3.org/2005/Atom">` + strings.Join(entries, "") + `</feed>`
}

func typeEntry(id, body string) string {
	return fmt.Sprintf(`<entry><link rel="self" href="/x/ReadingType/%s"/><content><ReadingType xmlns="http://naesb.org/espi">%s</ReadingType></content></entry>`, id, body)
}

func meterEntry(id, kind string) string {
	return fmt.Sprintf(`<entry><content><MeterReading xmlns="http://naesb.org/espi"/></content><link rel="self" href="/x/MeterReading/%s"/><link rel="related" href="ReadingType/%s"/></entry>`, id, kind)
}

func blockEntry(id string, start int64, readings ...string) string {
	return fmt.Sprintf(`<entry><link rel="up" href="/x/MeterReading/%s/IntervalBlock"/><content><IntervalBlock xmlns="http://naesb.org/espi"><interval><duration>86400</duration><start>%d</start></interval>%s</IntervalBlock></content></entry>`,
		id, start, strings.Join(readings, ""))
}

func reading(start int64, value, more string) string {
	return fmt.Sprintf(`<IntervalReading>%s<timePeriod><duration>1800</duration><start>%d</start></timePeriod><value>%s</value></IntervalReading>`, more, start, value)
}

const (
	energyTaken = `<accumulationBehaviour>4</accumulationBehaviour><commodity>1</commodity><flowDirection>1</flowDirection><intervalLength>1800</intervalLength><kind>12</kind><powerOfTenMultiplier>0</powerOfTenMultiplier><uom>72</uom>`
	noon        = 1_767_614_400 // 2026-01-05T12:00:00Z
)

func quality(code int) string {
	return fmt.Sprintf("<ReadingQuality><quality>%d</quality></ReadingQuality>", code)
}

// Feeds made for the test, with the codes of the ESPI schema (AccumulationKind, FlowDirectionKind, QualityOfReading,
// UnitSymbolKind).
func TestGreenButtonForms(t *testing.T) {
	two := blockEntry("1", noon, reading(noon, "110", ""), reading(noon+1800, "346", ""))
	const want = "2026-01-05T12:00:00Z 30m0s 0.11\n2026-01-05T12:30:00Z 30m0s 0.346\n"
	for _, c := range []struct{ name, text, want, note string }{
		{"types after blocks", greenButton(two, meterEntry("1", "1"), typeEntry("1", energyTaken)), want, ""},
		{"a multiplier", greenButton(typeEntry("1", strings.ReplaceAll(energyTaken, "Multiplier>0<", "Multiplier>3<")), meterEntry("1", "1"),
			blockEntry("1", noon, reading(noon, "0.11", ""), reading(noon+1800, "0.346", ""))), want, ""},
		{"a negative multiplier", greenButton(typeEntry("1", strings.ReplaceAll(energyTaken, "Multiplier>0<", "Multiplier>-3<")), meterEntry("1", "1"),
			blockEntry("1", noon, reading(noon, "110000", ""), reading(noon+1800, "346000", ""))), want, ""},
		{"mean power", greenButton(typeEntry("1", strings.ReplaceAll(energyTaken, "<uom>72<", "<uom>38<")), meterEntry("1", "1"),
			blockEntry("1", noon, reading(noon, "220", ""), reading(noon+1800, "692", ""))), want, ""},
		{"no periods: every intervalLength", greenButton(typeEntry("1", energyTaken), meterEntry("1", "1"),
			blockEntry("1", noon, "<IntervalReading><value>110</value></IntervalReading>", "<IntervalReading><value>346</value></IntervalReading>")), want, ""},
		{"what is sent back is left out", greenButton(typeEntry("1", energyTaken), typeEntry("2", strings.ReplaceAll(energyTaken, "Direction>1<", "Direction>19<")),
			meterEntry("1", "1"), meterEntry("2", "2"), two, blockEntry("2", noon, reading(noon, "5", ""))), want,
			"x.xml: took /x/MeterReading/1, energy taken from the network, and left out 1 other kind of reading"},
		{"gas is left out", greenButton(typeEntry("1", energyTaken), typeEntry("2", strings.ReplaceAll(energyTaken, "commodity>1<", "commodity>7<")),
			meterEntry("1", "1"), meterEntry("2", "2"), two, blockEntry("2", noon, reading(noon, "5", ""))), want, ""},
		{"estimates and edits", greenButton(typeEntry("1", energyTaken), meterEntry("1", "1"),
			blockEntry("1", noon, reading(noon, "110", quality(8)), reading(noon+1800, "346", quality(0)+quality(7)))),
			"2026-01-05T12:00:00Z 30m0s 0.11 estimated\n2026-01-05T12:30:00Z 30m0s 0.346 estimated\n", "x.xml: 2 readings are estimated or edited, as the file says"},
		{"questionable", greenButton(typeEntry("1", energyTaken), meterEntry("1", "1"),
			blockEntry("1", noon, reading(noon, "110", quality(10)), reading(noon+1800, "346", ""))), want, "x.xml: 1 reading is questionable, as the file says: counted"},
		{"a forecast and no value", greenButton(typeEntry("1", energyTaken), meterEntry("1", "1"),
			blockEntry("1", noon, reading(noon, "110", ""), reading(noon+1800, "346", ""), reading(noon+3600, "9", quality(12)), reading(noon+5400, "", ""), reading(noon+7200, "1", ""))),
			want + "2026-01-05T14:00:00Z 30m0s 0.001\n", "x.xml: 1 gap (an empty reading): 2026-01-05T13:30:00Z to 2026-01-05T14:00:00Z\nx.xml: 1 gap (a forecast in place of a reading): 2026-01-05T13:00:00Z to 2026-01-05T13:30:00Z"},
		{"a block sent twice", greenButton(typeEntry("1", energyTaken), meterEntry("1", "1"), two, two), want, "x.xml: 2 intervals are in the file twice with equal values: counted once"},
		{"Latin-1", strings.Replace(greenButton(typeEntry("1", energyTaken), meterEntry("1", "1"), two, "<entry><title>caf\xe9</title></entry>"),
			`version="1.0"`, `version="1.0" encoding="ISO-8859-1"`, 1), want, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, n, err := Read(strings.NewReader(c.text), "x.xml", Layout{})
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(c.want, list(s)); d != "" {
				t.Errorf("-want +got:\n%s", d)
			}
			if d := cmp.Diff(c.note, notes(n)); d != "" {
				t.Errorf("notes -want +got:\n%s", d)
			}
		})
	}
}

func TestGreenButtonRefused(t *testing.T) {
	one := blockEntry("1", noon, reading(noon, "110", ""))
	with := func(old, now string) string { return typeEntry("1", strings.ReplaceAll(energyTaken, old, now)) }
	for _, c := range []struct{ name, text, want string }{
		{"other XML", `<?xml version="1.0"?><rss><channel/></rss>`, "x.xml: is XML without an IntervalBlock"},
		{"cut off", greenButton(one)[:200], "x.xml: is cut off: fetch it again"},
		{"broken", `<feed><a></b></feed>`, "x.xml:1: is no whole XML"},
		{"an entity of its own", `<!DOCTYPE f [<!ENTITY a "b">]><feed>&a;</feed>`, "x.xml:1: is no whole XML"},
		{"no type", greenButton(meterEntry("1", "1"), one), "x.xml: names no ReadingType"},
		{"a register", greenButton(with("Behaviour>4<", "Behaviour>1<"), meterEntry("1", "1"), one), "x.xml: holds readings of a register, not of intervals (accumulation behaviour 1)"},
		{"only what is sent back", greenButton(with("Direction>1<", "Direction>19<"), meterEntry("1", "1"), one), "x.xml: holds only what was sent back"},
		{"volts", greenButton(with("uom>72<", "uom>29<"), meterEntry("1", "1"), one), "x.xml: holds no energy in Wh and no power in W: its unit of measure is 29"},
		{"gas alone", greenButton(with("commodity>1<", "commodity>7<"), meterEntry("1", "1"), one), "x.xml: holds no electricity"},
		{"two meters", greenButton(typeEntry("1", energyTaken), meterEntry("1", "1"), meterEntry("2", "1"), one, blockEntry("2", noon, reading(noon, "1", ""))), "x.xml: holds 2 meters or registers of energy taken"},
		{"below zero", greenButton(typeEntry("1", energyTaken), meterEntry("1", "1"), blockEntry("1", noon, reading(noon, "-1", ""))), "x.xml:1: -1 Wh is below zero"},
		{"a text", greenButton(typeEntry("1", energyTaken), meterEntry("1", "1"), blockEntry("1", noon, reading(noon, "much", ""))), `x.xml:1: "much" is no number`},
		{"days", greenButton(typeEntry("1", energyTaken), meterEntry("1", "1"), blockEntry("1", noon, strings.Replace(reading(noon, "1", ""), "1800", "86400", 1))), "x.xml:1: an interval lasts 86400 s"},
		{"milliseconds", greenButton(typeEntry("1", energyTaken), meterEntry("1", "1"), blockEntry("1", noon, reading(noon*1000, "1", ""))), "x.xml:1: an interval begins at 1767614400000: no seconds since 1970"},
		{"a wild multiplier", greenButton(with("Multiplier>0<", "Multiplier>99<"), meterEntry("1", "1"), one), "x.xml: has a power-of-ten multiplier of 99"},
		{"too deep", strings.Repeat("<a>", 200), "x.xml: nests its elements more than 100 deep"},
		{"an unknown character set", `<?xml version="1.0" encoding="x-none"?><feed/>`, "x.xml:1: "},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, _, err := Read(strings.NewReader(c.text), "x.xml", Layout{})
			if err == nil {
				t.Fatalf("taken: %s", list(s))
			}
			if got := err.Error(); !strings.HasPrefix(got, c.want) || strings.Contains(got, "\n") {
				t.Errorf("%s\nwant %s", got, c.want)
			}
		})
	}
}

func TestGreenButtonRegister(t *testing.T) {
	text := greenButton(typeEntry("1", strings.ReplaceAll(energyTaken, "Behaviour>4<", "Behaviour>1<")), meterEntry("1", "1"),
		blockEntry("1", noon, reading(noon, "100000", ""), reading(noon+1800, "100110", ""), reading(noon+3600, "100456", "")))
	s, _, err := Read(strings.NewReader(text), "x.xml", Layout{Register: true})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff("2026-01-05T12:00:00Z 30m0s 0.11\n2026-01-05T12:30:00Z 30m0s 0.346\n", list(s)); d != "" {
		t.Error(d)
	}
}
