package settle

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
	"spillway/actions/meter"
)

// A pandasCase is one case as testdata/settlement/reference.py reads it.
type pandasCase struct {
	File      string         `json:"file"`
	Column    string         `json:"column"`
	Minutes   int            `json:"minutes"`
	Zone      string         `json:"zone"`
	Direction string         `json:"direction"`
	Windows   []pandasWindow `json:"windows"`
	Settle    []string       `json:"settle"` // ids of the windows to settle; the others only take their days
	Terms     pandasTerms    `json:"terms"`
	Holidays  []string       `json:"holidays"`
	LeaveOut  []string       `json:"leave_out"`
}

type pandasWindow struct {
	ID    string `json:"id"`
	Start string `json:"start"`
	End   string `json:"end"`
}

type pandasTerms struct {
	Like        string `json:"like"`
	Days        int    `json:"days"`
	DaysOff     int    `json:"days_off"`
	Keep        int    `json:"keep"`
	Pick        string `json:"pick"`
	LookBack    int    `json:"look_back"`
	Fewest      int    `json:"fewest"`
	Adjust      string `json:"adjust"`
	AdjustFrom  int    `json:"adjust_from"` // minutes
	AdjustTo    int    `json:"adjust_to"`
	AdjustCap   string `json:"adjust_cap"`
	Floor       string `json:"floor"`
	Rate        string `json:"rate"`
	CreditAfter int    `json:"credit_after"` // minutes
}

func (p pandasTerms) terms() []actions.Terms {
	t := defaultTerms()
	t.Like, t.Days, t.DaysOff, t.Keep, t.Pick, t.Fewest, t.Floor = p.Like, p.Days, p.DaysOff, p.Keep, p.Pick, p.Fewest, p.Floor
	t.LookBack = time.Duration(p.LookBack) * 24 * time.Hour
	t.Adjust, t.AdjustFrom, t.AdjustTo = p.Adjust, time.Duration(p.AdjustFrom)*time.Minute, time.Duration(p.AdjustTo)*time.Minute
	_, _ = fmt.Sscan(p.AdjustCap, &t.AdjustCap)
	t.Rate, t.Currency, t.Holidays, t.LeaveOut = p.Rate, "GBP", "holidays", "outages"
	t.CreditAfter = time.Duration(p.CreditAfter) * time.Minute
	return []actions.Terms{t}
}

// A pandasResult is what reference.py prints for one window.
type pandasResult struct {
	ID         string       `json:"id"`
	Days       []string     `json:"days"`
	Slots      []pandasSlot `json:"slots"`
	Gain       *float64     `json:"gain_kwh"`
	Credit     *string      `json:"credit"`
	ExpectedBy string       `json:"expected_by"`
}

type pandasSlot struct {
	Start    string   `json:"start"`
	End      string   `json:"end"`
	Metered  *float64 `json:"metered_kwh"`
	Baseline *float64 `json:"baseline_kwh"`
	Gain     *float64 `json:"gain_kwh"`
}

// Every figure of every interval, of windows of all kinds on open and made data, agrees with a second implementation in
// Python with numpy and pandas to 1e-9 kWh. .ci/settlement installs what it needs and runs it.
func TestSecondImplementation(t *testing.T) {
	if os.Getenv("SPILLWAY_PANDAS") != "1" {
		t.Skip("needs python3-pandas: run .ci/settlement, or set SPILLWAY_PANDAS=1")
	}
	cases, files := pandasCases(t)
	got := runReference(t, cases)
	slots, windows, gains := 0, 0, 0
	for i, c := range cases {
		s := New(Books{Zone: zoneOf(t, c.Zone), Meter: files[c.File], Windows: c.windows(t), Holidays: map[string]Dates{"holidays": dateSet(t, c.Holidays)}, LeaveOut: map[string]Dates{"outages": dateSet(t, c.LeaveOut)}})
		for _, want := range got[i] {
			for _, w := range s.books.Windows {
				if w.ID == want.ID {
					r := s.Window(w, actions.Direction(c.Direction), c.Terms.terms())
					compare(t, fmt.Sprintf("case %d (%s %+v) window %s", i, c.Zone, c.Terms, w.Start.Format(time.RFC3339)), &r, want)
					slots, windows = slots+len(r.Slots), windows+1
					if r.Gain != nil {
						gains++
					}
				}
			}
		}
	}
	t.Logf("%d windows, %d of them with a gain, and %d intervals agree", windows, gains, slots)
	if gains < windows/2 || windows < 500 {
		t.Errorf("only %d windows of %d have a gain: the cases test too little", gains, windows)
	}
}

func (c pandasCase) windows(t *testing.T) []actions.Window {
	var out []actions.Window
	for _, w := range c.Windows {
		out = append(out, actions.Window{ID: w.ID, Start: utcTime(t, w.Start), End: utcTime(t, w.End)})
	}
	return out
}

func dateSet(t *testing.T, list []string) Dates {
	out := Dates{}
	for _, d := range list {
		out[DateOf(utcTime(t, d+"T12:00:00Z"), time.UTC)] = "x"
	}
	return out
}

func runReference(t *testing.T, cases []pandasCase) [][]pandasResult {
	t.Helper()
	body, err := json.Marshal(cases)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "cases.json")
	if err := os.WriteFile(path, body, 0o600); err != nil {
		t.Fatal(err)
	}
	python := os.Getenv("SPILLWAY_PYTHON")
	if python == "" {
		python = "python3"
	}
	cmd := exec.CommandContext(t.Context(), python, filepath.Join("..", "..", "testdata", "settlement", "reference.py"), path)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("the second implementation: %v", err)
	}
	var got [][]pandasResult
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatal(err)
	}
	return got
}

func compare(t *testing.T, where string, r *Result, want pandasResult) {
	t.Helper()
	var days []string
	for _, d := range r.Days {
		days = append(days, d.String())
	}
	if d := cmp.Diff(strings.Join(want.Days, " "), strings.Join(days, " ")); d != "" {
		t.Errorf("%s: days -second +first:\n%s", where, d)
		return
	}
	body, _ := json.Marshal(r)
	var mine struct {
		Slots  []pandasSlot `json:"slots"`
		Gain   *float64     `json:"gain_kwh"`
		By     string       `json:"expected_by"`
		Credit *float64     `json:"credit"`
	}
	if err := json.Unmarshal(body, &mine); err != nil {
		t.Fatal(err)
	}
	near := cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) <= 1e-9 })
	if d := cmp.Diff(want.Slots, mine.Slots, near); d != "" {
		t.Errorf("%s: slots -second +first:\n%s", where, d)
	}
	if d := cmp.Diff(want.Gain, mine.Gain, near); d != "" {
		t.Errorf("%s: gain -second +first:\n%s", where, d)
	}
	credit := ""
	if r.Credit != nil {
		credit = r.Credit.StringFixed(2)
	}
	if want.Credit == nil && credit != "" || want.Credit != nil && *want.Credit != credit {
		t.Errorf("%s: credit %q, second %v", where, credit, want.Credit)
	}
	if want.ExpectedBy != mine.By {
		t.Errorf("%s: expected by %s, second %s", where, mine.By, want.ExpectedBy)
	}
}

// pandasCases makes the cases and the data they are of.
func pandasCases(t *testing.T) ([]pandasCase, map[string]*meter.Series) {
	t.Helper()
	files := map[string]*meter.Series{}
	type source struct {
		file, column, first, last string
		minutes                   int
	}
	read := func(path string) {
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = f.Close() }()
		s, _, err := meter.Read(f, path, meter.Layout{})
		if err != nil {
			t.Fatal(err)
		}
		files[path] = s
	}
	var sources []source
	for _, x := range []struct{ name, first, last string }{
		{"uk-household-halfhour-1.csv.gz", "2012-12-20T00:00:00Z", "2014-01-20T00:00:00Z"},
		{"uk-household-halfhour-2.csv.gz", "2013-01-10T00:00:00Z", "2013-12-28T00:00:00Z"},
	} {
		path := filepath.Join("..", "..", "..", "shared", "data", x.name)
		if _, err := os.Stat(path); err != nil {
			if os.Getenv("SPILLWAY_CI") == "1" {
				t.Fatalf("open data is missing in CI: %v", err)
			}
			t.Logf("open data not beside the repository (%s): made data only", path)
			continue
		}
		read(path)
		sources = append(sources, source{path, "value", x.first, x.last, 30})
	}
	dir := t.TempDir()
	for _, minutes := range []int{5, 15, 30, 60} {
		path := filepath.Join(dir, fmt.Sprintf("made-%d.csv", minutes))
		if err := os.WriteFile(path, made(minutes), 0o600); err != nil {
			t.Fatal(err)
		}
		read(path)
		sources = append(sources, source{path, "value", "2026-03-10T00:00:00Z", "2026-11-20T00:00:00Z", minutes})
	}
	r := rand.New(rand.NewPCG(3, 5))
	var cases []pandasCase
	for _, s := range sources {
		for i := range 14 {
			c := anyCase(r, []string{"Europe/London", "Europe/London", "America/New_York", "Asia/Kolkata", "UTC"}[i%5])
			c.File, c.Column, c.Minutes = s.file, s.column, s.minutes
			addWindows(t, r, &c, utcTime(t, s.first), utcTime(t, s.last), i%2 == 0)
			cases = append(cases, c)
		}
	}
	return cases, files
}

// made writes CSV over nine months with both clock changes, some gaps, a duplicate and a contradiction.
func made(minutes int) []byte {
	r := rand.New(rand.NewPCG(uint64(minutes), 1))
	var b strings.Builder
	b.WriteString("start,value\n")
	for at := time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC); at.Before(time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)); at = at.Add(time.Duration(minutes) * time.Minute) {
		day := at.YearDay()
		if day == 100 && at.Hour() < 3 || day == 200 && at.Hour() == 17 || day == 260 && at.Hour() == 23 {
			continue
		}
		line := fmt.Sprintf("%s,%d.%03d\n", at.Format(time.DateTime), r.IntN(2), r.IntN(20)*50) // coarse, so that days tie
		b.WriteString(line)
		if day == 150 && at.Hour() == 5 {
			b.WriteString(line)
		}
		if day == 170 && at.Hour() == 5 && at.Minute() == 0 {
			fmt.Fprintf(&b, "%s,9\n", at.Format(time.DateTime))
		}
	}
	return []byte(b.String())
}

func anyCase(r *rand.Rand, zone string) pandasCase {
	one := func(list ...string) string { return list[r.IntN(len(list))] }
	c := pandasCase{Zone: zone, Direction: one("turn-up", "turn-down"), Holidays: []string{}, LeaveOut: []string{}}
	c.Terms = pandasTerms{
		Like: one("workday", "workday", "weekday", "every"), Days: 1 + r.IntN(12), DaysOff: 1 + r.IntN(6), Keep: 1 + r.IntN(10),
		Pick: one("all", "highest", "middle", "lowest"), LookBack: 20 + r.IntN(50), Fewest: 1 + r.IntN(3),
		Adjust: one("none", "add", "scale"), AdjustFrom: 180 + 10*r.IntN(12), AdjustTo: 5 * r.IntN(24), AdjustCap: one("0.2", "0.1", "0.35"),
		Floor: one("interval", "window", "none"), Rate: one("0.245", "0.5", "1", "0.1"), CreditAfter: 1440 * r.IntN(10),
	}
	return c
}

// addWindows adds windows to settle and, where others is set, more that only take their days; holidays and outages too.
func addWindows(t *testing.T, r *rand.Rand, c *pandasCase, first, last time.Time, others bool) {
	days := int(last.Sub(first).Hours() / 24)
	add := func(start time.Time, length time.Duration, settled bool) {
		id := fmt.Sprintf("w%d", len(c.Windows))
		c.Windows = append(c.Windows, pandasWindow{id, start.Format(time.RFC3339), start.Add(length).Format(time.RFC3339)})
		if settled {
			c.Settle = append(c.Settle, id)
		}
	}
	for range 6 {
		start := first.AddDate(0, 0, r.IntN(days)).Add(time.Duration(r.IntN(288)) * 5 * time.Minute)
		add(start, time.Duration(1+r.IntN(50))*5*time.Minute, true)
	}
	for range 2 { // over midnight
		start := first.AddDate(0, 0, r.IntN(days)).Add(22*time.Hour + time.Duration(r.IntN(120))*time.Minute)
		add(start, time.Duration(150+r.IntN(120))*time.Minute, true)
	}
	// on and about clock changes, of London and of New York
	for _, change := range []string{"2013-03-31", "2013-10-27", "2013-03-10", "2013-11-03", "2026-03-29", "2026-10-25", "2026-11-01"} {
		day := utcTime(t, change+"T00:00:00Z")
		if day.After(first) && day.Before(last) && r.IntN(2) == 0 {
			add(day.Add(time.Duration(r.IntN(16)-2)*30*time.Minute), time.Duration(1+r.IntN(10))*30*time.Minute, true)
		}
	}
	if !others {
		return
	}
	for range 12 {
		start := first.AddDate(0, 0, r.IntN(days)).Add(time.Duration(r.IntN(1440)) * time.Minute)
		add(start, time.Duration(r.IntN(300))*time.Minute, false)
	}
	for range 10 {
		c.Holidays = append(c.Holidays, first.AddDate(0, 0, r.IntN(days)).Format(time.DateOnly))
		c.LeaveOut = append(c.LeaveOut, first.AddDate(0, 0, r.IntN(days)).Format(time.DateOnly))
	}
}
