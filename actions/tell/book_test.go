package tell

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// noon is a Saturday's.
var noon = time.Date(2026, 12, 5, 12, 0, 0, 0, time.UTC)

func at(d time.Duration) time.Time { return noon.Add(d) }

func restore(since time.Time) Fault {
	return Fault{Key: "restore cylinder.boost", Kind: KindRestore, Where: "cylinder.boost", What: "not back at off after 3 tries", Since: since}
}

func feedFault(since, due time.Time) Fault {
	return Fault{Key: "feed house", Kind: KindFeed, Where: "house", What: "no good poll", Since: since, Due: due}
}

// show writes items as "state key".
func show(items []Item) []string {
	out := []string{}
	for _, i := range items {
		out = append(out, i.State+" "+i.key)
	}
	return out
}

// A moment of a story: what is reported, and what is told then, delivered unless it fails.
type moment struct {
	at     time.Duration
	report *Report // nil: nothing new
	want   []string
	fails  bool
	again  time.Duration // when the book wants to be asked again; 0: not before something changes
}

func TestBook(t *testing.T) {
	const m = time.Minute
	window := Window{ID: "w1", Title: "Free power", Start: at(time.Hour), End: at(2 * time.Hour), LeadIn: at(58 * m)}
	later := window
	later.Start, later.End = at(2*time.Hour), at(3*time.Hour)
	faults := func(f ...Fault) *Report { return &Report{Faults: f} }
	windows := func(w ...Window) *Report { return &Report{Windows: w} }
	tests := []struct {
		name  string
		rules Rules
		story []moment
	}{
		{"once, with an all-clear", Rules{After: 2 * m}, []moment{
			{at: 0, report: faults(restore(at(0))), again: 2 * m},
			{at: 2 * m, want: []string{"fault restore cylinder.boost"}},
			{at: 3 * m, report: faults(restore(at(0)))},
			{at: 10 * m, report: faults(), again: 15 * m},
			{at: 15 * m, want: []string{"clear restore cylinder.boost"}},
			{at: time.Hour, report: faults()},
		}},
		{"too short to tell", Rules{After: 2 * m}, []moment{
			{at: 0, report: faults(restore(at(0))), again: 2 * m},
			{at: m, report: faults()},
			{at: time.Hour},
		}},
		{"comes and goes: one message", Rules{}, []moment{
			{at: 0, report: faults(restore(at(0))), want: []string{"fault restore cylinder.boost"}},
			{at: m, report: faults(), again: 6 * m},
			{at: 3 * m, report: faults(restore(at(3 * m)))},
			{at: 4 * m, report: faults(), again: 9 * m},
			{at: 9 * m, want: []string{"clear restore cylinder.boost"}},
			{at: 10 * m, report: faults(restore(at(10 * m))), want: []string{"fault restore cylinder.boost"}},
		}},
		{"retried with growing pauses", Rules{}, []moment{
			{at: 0, report: faults(restore(at(0))), want: []string{"fault restore cylinder.boost"}, fails: true, again: 30 * time.Second},
			{at: 30 * time.Second, want: []string{"fault restore cylinder.boost"}, fails: true, again: 90 * time.Second},
			{at: 90 * time.Second, want: []string{"fault restore cylinder.boost"}, fails: true, again: 210 * time.Second},
			{at: 210 * time.Second, want: []string{"fault restore cylinder.boost"}, fails: true, again: 450 * time.Second},
			{at: 450 * time.Second, want: []string{"fault restore cylinder.boost"}, fails: true, again: 930 * time.Second},
			{at: 930 * time.Second, want: []string{"fault restore cylinder.boost"}, fails: true, again: 930*time.Second + 15*m},
			{at: 930*time.Second + 15*m, want: []string{"fault restore cylinder.boost"}, fails: true, again: 930*time.Second + 30*m},
			{at: 930*time.Second + 30*m, want: []string{"fault restore cylinder.boost"}},
		}},
		{"over before it could be told: said in one", Rules{}, []moment{
			{at: 0, report: faults(restore(at(0))), want: []string{"fault restore cylinder.boost"}, fails: true, again: 30 * time.Second},
			{at: 20 * time.Second, report: faults(), again: 320 * time.Second},
			{at: 320 * time.Second, want: []string{"clear restore cylinder.boost"}},
		}},
		{"when the feed is stale", Rules{After: 2 * m}, []moment{
			{at: 0, report: faults(feedFault(at(-time.Hour), at(23*time.Hour))), again: 23 * time.Hour},
			{at: 23 * time.Hour, want: []string{"fault feed house"}},
		}},
		{"only the kinds asked for", Rules{Kinds: []Kind{KindFeed}}, []moment{
			{at: 0, report: faults(restore(at(0)), feedFault(at(0), at(0))), want: []string{"fault feed house"}},
		}},
		{"the graver first", Rules{}, []moment{
			{at: 0, report: faults(feedFault(at(0), at(0)), restore(at(0))), want: []string{"fault restore cylinder.boost", "fault feed house"}},
		}},
		{"said anew each minute, and still one", Rules{After: 2 * m}, []moment{
			{at: 0, report: faults(restore(at(0))), again: 2 * m},
			{at: m, report: faults(restore(at(m))), again: 2 * m},
			{at: 2 * m, report: faults(restore(at(2 * m))), want: []string{"fault restore cylinder.boost"}},
		}},
		{"overdue at a known time", Rules{After: 2 * m}, []moment{
			{at: 0, report: faults(feedFault(at(-time.Hour), at(time.Hour))), again: time.Hour},
			{at: 30 * m, report: faults(feedFault(at(30*m), at(2*time.Hour))), again: 2 * time.Hour},
			{at: 2 * time.Hour, want: []string{"fault feed house"}},
			{at: 3 * time.Hour, report: faults(feedFault(at(3*time.Hour), at(5*time.Hour))), again: 3*time.Hour + 5*m},
			{at: 3*time.Hour + 5*m, want: []string{"clear feed house"}},
			{at: 3*time.Hour + 6*m, report: faults(feedFault(at(3*time.Hour), at(5*time.Hour))), again: 5 * time.Hour},
			{at: 5 * time.Hour, want: []string{"fault feed house"}},
		}},
		{"nobody has looked yet", Rules{}, []moment{
			{at: 0, report: faults(restore(at(0))), want: []string{"fault restore cylinder.boost"}},
			{at: m, report: &Report{Unknown: []Kind{KindRestore}}},
			{at: time.Hour, report: faults(restore(at(time.Hour)))},
			{at: 2 * time.Hour, report: &Report{Unknown: []Kind{KindLink}}, again: 2*time.Hour + 5*m},
		}},
		{"what another explains is not told, and was it told before, that stands", Rules{}, []moment{
			{at: 0, report: &Report{Behind: []string{"restore cylinder.boost"}}},
			{at: m, report: faults(restore(at(m))), want: []string{"fault restore cylinder.boost"}},
			{at: 2 * m, report: &Report{Behind: []string{"restore cylinder.boost"}}},
			{at: 2 * time.Hour},
			{at: 3 * time.Hour, report: faults(), again: 3*time.Hour + 5*m},
			{at: 3*time.Hour + 5*m, want: []string{"clear restore cylinder.boost"}},
		}},
		{"what another explained for long is told once it has stood alone for long enough", Rules{After: 2 * m}, []moment{
			{at: 0, report: &Report{Behind: []string{"restore cylinder.boost"}}},
			{at: time.Hour, report: faults(restore(at(0))), again: time.Hour + 2*m},
			{at: time.Hour + m, report: faults()}, // it was read a moment after its box was back
			{at: 2 * time.Hour, report: &Report{Behind: []string{"restore cylinder.boost"}}},
			{at: 3 * time.Hour, report: faults(restore(at(0))), again: 3*time.Hour + 2*m},
			{at: 3*time.Hour + 2*m, want: []string{"fault restore cylinder.boost"}},
		}},
		{"what ends by itself needs no all-clear", Rules{}, []moment{
			{at: 0, report: faults(Fault{Key: "plan x", Kind: KindPlan, Since: at(0), Ends: at(m)}), want: []string{"fault plan x"}},
			{at: m, report: faults()},
			{at: time.Hour},
		}},
		{"windows only where asked for", Rules{}, []moment{{at: 0, report: windows(window)}}},
		{"a window taken", Rules{Windows: true, After: 2 * m}, []moment{
			{at: 0, report: windows(window), again: 2 * m},
			{at: 2 * m, want: []string{"taken w1"}},
			{at: 3 * m, report: windows(window)},
			{at: 2 * time.Hour, report: windows()},
			{at: 3 * time.Hour},
		}},
		{"a window that moves is told again, one that is off once", Rules{Windows: true}, []moment{
			{at: 0, report: windows(window), want: []string{"taken w1"}},
			{at: m, report: windows(later), want: []string{"taken w1"}},
			{at: 2 * m, report: windows(), again: 7 * m},
			{at: 7 * m, want: []string{"off w1"}},
			{at: 8 * m, report: windows()},
		}},
		{"a window typed and taken back within a minute", Rules{Windows: true, After: 2 * m}, []moment{
			{at: 0, report: windows(window), again: 2 * m},
			{at: m, report: windows()},
			{at: time.Hour},
		}},
		{"a window that is over is not told", Rules{Windows: true, After: 2 * m}, []moment{
			{at: 3 * time.Hour, report: windows(window)},
		}},
		{"a clock that was ahead keeps nothing back", Rules{}, []moment{
			{at: 1000 * time.Hour, report: faults(restore(at(1000 * time.Hour))), want: []string{"fault restore cylinder.boost"}, fails: true,
				again: 1000*time.Hour + 30*time.Second},
			{at: 0, report: faults(restore(at(1000 * time.Hour))), want: []string{"fault restore cylinder.boost"}},
		}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			b := newBook()
			for _, s := range test.story {
				now := at(s.at)
				if s.report != nil {
					b.see(now, *s.report, test.rules)
				}
				items, again := b.due(now, test.rules)
				if d := cmp.Diff(append([]string{}, s.want...), show(items)); d != "" {
					t.Fatalf("at %s (-want +got):\n%s", s.at, d)
				}
				if len(items) > 0 {
					b.try(now, items)
					if !s.fails {
						b.told(items)
					}
					_, again = b.due(now, test.rules)
				}
				want := time.Time{}
				if s.again != 0 {
					want = at(s.again)
				}
				if !again.Equal(want) {
					t.Fatalf("at %s: to be asked again at %v, want %v", s.at, again, want)
				}
				b = reread(t, b)
			}
		})
	}
}

// reread is a restart: what comes back is what was kept.
func reread(t interface{ Fatal(...any) }, b *book) *book {
	raw, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	out := newBook()
	if err := json.Unmarshal(raw, out); err != nil {
		t.Fatal(err)
	}
	out.complete()
	return out
}

func TestManyFaultsComeInPortions(t *testing.T) {
	var r Report
	for i := range mostItems + 5 {
		r.Faults = append(r.Faults, Fault{Key: fmt.Sprintf("link %03d", i), Kind: KindLink, Since: noon})
	}
	b := newBook()
	b.see(noon, r, Rules{})
	for _, want := range []int{mostItems, 5, 0} {
		items, _ := b.due(noon, Rules{})
		if len(items) != want {
			t.Fatalf("%d items at once, want %d", len(items), want)
		}
		b.try(noon, items)
		b.told(items)
	}
}

// Whatever happens in whatever order: a fault is never told twice without an all-clear between, an all-clear only follows
// a fault that may have been told, and in the end everybody knows what is so.
func TestBookProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rules := Rules{After: time.Duration(rapid.IntRange(0, 3).Draw(t, "after")) * time.Minute, Windows: true}
		b, now := newBook(), noon
		believed := map[string]bool{} // what the receiver has
		tried := map[string]bool{}
		var report Report
		deliver := func(fails bool) {
			items, _ := b.due(now, rules)
			if len(items) == 0 {
				return
			}
			b.try(now, items)
			for _, i := range items {
				switch {
				case i.State == StateFault && believed[i.key]:
					t.Fatalf("%s is told twice", i.key)
				case i.State == StateClear && !tried[i.key]:
					t.Fatalf("an all-clear for %s, of which nobody was told", i.key)
				}
				tried[i.key] = true
			}
			if fails {
				return
			}
			b.told(items)
			for _, i := range items {
				believed[i.key] = i.State == StateFault || i.State == StateTaken
				if !believed[i.key] {
					delete(tried, i.key)
				}
			}
		}
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			now = now.Add(time.Duration(rapid.IntRange(0, 400).Draw(t, "seconds")) * time.Second)
			if rapid.Bool().Draw(t, "reported") {
				report = drawReport(t, now)
				b.see(now, report, rules)
			}
			if rapid.IntRange(0, 9).Draw(t, "restart") == 0 {
				b = reread(t, b)
				b.see(now, report, rules)
			}
			deliver(rapid.Bool().Draw(t, "fails"))
		}
		for range 10 {
			now = now.Add(mostPause)
			b.see(now, report, rules)
			deliver(false)
		}
		if items, again := b.due(now, rules); len(items) > 0 || !again.IsZero() {
			t.Fatalf("it never comes to rest: %v, %v", show(items), again)
		}
		var know, is []string
		for key, on := range believed {
			if on && !strings.HasPrefix(key, "w") {
				know = append(know, key)
			}
		}
		for _, f := range report.Faults {
			is = append(is, f.Key)
		}
		slices.Sort(know)
		slices.Sort(is)
		if !slices.Equal(know, is) {
			t.Fatalf("the receiver believes %v, and it is %v", know, is)
		}
	})
}

func drawReport(t *rapid.T, now time.Time) Report {
	var r Report
	for _, key := range []string{"link a", "link b", "restore c"} {
		if rapid.Bool().Draw(t, key) {
			r.Faults = append(r.Faults, Fault{Key: key, Kind: KindLink, Since: now})
		}
	}
	for _, id := range []string{"w1", "w2"} {
		if rapid.Bool().Draw(t, id) {
			start := noon.Add(time.Duration(rapid.IntRange(0, 2).Draw(t, "start")) * 24 * time.Hour)
			r.Windows = append(r.Windows, Window{ID: id, Start: start, End: start.Add(time.Hour), LeadIn: start})
		}
	}
	return r
}
