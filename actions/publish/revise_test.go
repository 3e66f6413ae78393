package publish_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"spillway/actions/publish"
	"spillway/calendar"
)

func entry(uid, summary string) calendar.Entry {
	return calendar.Entry{UID: uid, Summary: summary, Start: at(13, 0, 0), End: at(14, 0, 0), Categories: []string{"during"}}
}

// What each entry shows after a row of revisions: sequence, minutes since noon of LAST-MODIFIED, and the summary.
func TestRevise(t *testing.T) {
	problem := entry("p", "Problem")
	problem.Categories = []string{publish.CategoryProblem}
	type revision struct {
		after time.Duration // since noon
		next  []calendar.Entry
	}
	for _, c := range []struct {
		name      string
		revisions []revision
		want      []string
		changed   bool // by the last revision
	}{
		{"new", []revision{{0, []calendar.Entry{entry("a", "x")}}}, []string{"a 0 0 x"}, true},
		{"the same again", []revision{{0, []calendar.Entry{entry("a", "x")}}, {time.Minute, []calendar.Entry{entry("a", "x")}}},
			[]string{"a 0 0 x"}, false},
		{"changed", []revision{{0, []calendar.Entry{entry("a", "x"), entry("b", "x")}}, {time.Minute, []calendar.Entry{entry("a", "y"), entry("b", "x")}}},
			[]string{"a 1 1 y", "b 0 0 x"}, true},
		{"changed while the clock was set back", []revision{{time.Hour, []calendar.Entry{entry("a", "x")}}, {0, []calendar.Entry{entry("a", "y")}}},
			[]string{"a 1 60 y"}, true},
		{"gone", []revision{{0, []calendar.Entry{entry("a", "x")}}, {time.Minute, nil}}, []string{"a 1 1 Cancelled: x cancelled"}, true},
		{"gone, again", []revision{{0, []calendar.Entry{entry("a", "x")}}, {time.Minute, nil}, {30 * time.Hour, nil}},
			[]string{"a 1 1 Cancelled: x cancelled"}, false},
		{"gone for 48 h", []revision{{0, []calendar.Entry{entry("a", "x")}}, {time.Minute, nil}, {48*time.Hour + time.Minute, nil}}, nil, true},
		{"gone and back", []revision{{0, []calendar.Entry{entry("a", "x")}}, {time.Minute, nil}, {2 * time.Minute, []calendar.Entry{entry("a", "x")}}},
			[]string{"a 2 2 x"}, true},
		{"gone when over", []revision{{0, []calendar.Entry{entry("a", "x")}}, {2 * time.Hour, nil}}, nil, true},
		{"a problem put right", []revision{{0, []calendar.Entry{problem}}, {time.Minute, nil}}, nil, true},
		{"the log beyond its end", []revision{{0, []calendar.Entry{entry("a", "x")}}, {3 * time.Hour, []calendar.Entry{entry("a", "x, done")}}},
			[]string{"a 1 180 x, done"}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			var s []publish.Stamped
			var changed bool
			for _, r := range c.revisions {
				s, changed = publish.Revise(s, r.next, at(12, 0, 0).Add(r.after).Add(123*time.Millisecond))
			}
			var got []string
			for _, e := range s {
				line := fmt.Sprintf("%s %d %v %s", e.Entry.UID, e.Entry.Sequence, e.Entry.LastModified.Sub(at(12, 0, 0)).Minutes(), e.Entry.Summary)
				if e.Entry.Cancelled {
					line += " cancelled"
				}
				if !e.Entry.Stamp.Equal(e.Entry.LastModified) {
					t.Errorf("stamp %v and last-modified %v differ", e.Entry.Stamp, e.Entry.LastModified)
				}
				got = append(got, line)
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
			if changed != c.changed {
				t.Errorf("changed is %v, want %v", changed, c.changed)
			}
		})
	}
}

// Whatever comes: what is planned is there as planned, a sequence never falls, it moves exactly with the content, and a
// revision without news changes nothing.
func TestReviseAlways(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		now := at(9, 0, 0)
		var prev []publish.Stamped
		for range rapid.IntRange(1, 12).Draw(t, "revisions") {
			now = now.Add(time.Duration(rapid.IntRange(-30, 3000).Draw(t, "minutes")) * time.Minute)
			var next []calendar.Entry
			for _, uid := range []string{"a", "b", "c"} {
				if rapid.Bool().Draw(t, "there") {
					next = append(next, entry(uid, rapid.SampledFrom([]string{"x", "y"}).Draw(t, "summary")))
				}
			}
			out, changed := publish.Revise(prev, next, now)
			was, is := byUID(prev), byUID(out)
			for _, e := range next {
				if got, ok := is[e.UID]; !ok || got.Entry.Summary != e.Summary || got.Entry.Cancelled || !got.Gone.IsZero() {
					t.Fatalf("planned %s %q, published %+v", e.UID, e.Summary, got)
				}
			}
			for uid, new := range is {
				old, ok := was[uid]
				if !ok {
					continue
				}
				if moved := new.Entry.Sequence - old.Entry.Sequence; moved < 0 || (moved > 0) != (new.Hash != old.Hash) {
					t.Fatalf("%s: sequence from %d to %d, content changed: %v", uid, old.Entry.Sequence, new.Entry.Sequence, new.Hash != old.Hash)
				}
				if new.Entry.LastModified.Before(old.Entry.LastModified) {
					t.Fatalf("%s: last-modified went back", uid)
				}
			}
			if d := cmp.Diff(prev, out); !changed && len(prev)+len(out) > 0 && d != "" {
				t.Fatalf("not changed, but (-before +after):\n%s", d)
			}
			if _, again := publish.Revise(out, next, now); again {
				t.Fatalf("the same revision twice changes something")
			}
			prev = out
		}
	})
}

func byUID(list []publish.Stamped) map[string]publish.Stamped {
	m := map[string]publish.Stamped{}
	for _, s := range list {
		m[s.Entry.UID] = s
	}
	return m
}
