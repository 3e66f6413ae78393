package meter

import (
	"math/big"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// anyReadings draws readings of mixed lengths with gaps, in order.
func anyReadings(t *rapid.T) []Reading {
	var out []Reading
	from := rapid.Int64Range(0, 100).Draw(t, "start") * 300
	for range rapid.IntRange(0, 40).Draw(t, "n") {
		length := rapid.SampledFrom([]int64{300, 900, 1800, 3600}).Draw(t, "length")
		if rapid.IntRange(0, 4).Draw(t, "gap") == 0 {
			from += length
		}
		out = append(out, Reading{From: from, To: from + length, Energy: Energy(rapid.Int64Range(-1e13, 1e13).Draw(t, "energy"))})
		from += length
	}
	return out
}

// Energy is additive, and the sum of every second is what a slow sum over shares gives.
func TestEnergyAdds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings := anyReadings(t)
		s, _, err := New("x", readings, nil)
		if err != nil {
			t.Fatal(err)
		}
		a := rapid.Int64Range(0, 60_000).Draw(t, "a")
		b := a + rapid.Int64Range(1, 30_000).Draw(t, "b")
		c := b + rapid.Int64Range(1, 30_000).Draw(t, "c")
		left, right, whole := s.Energy(a, b), s.Energy(b, c), s.Energy(a, c)
		if (left == nil || right == nil) != (whole == nil) {
			t.Fatalf("parts %v and %v, whole %v", left, right, whole)
		}
		slow, covered := new(big.Rat), int64(0)
		for _, r := range readings {
			if share := min(c, r.To) - max(a, r.From); share > 0 {
				covered += share
				e := new(big.Rat).SetInt64(int64(r.Energy))
				slow.Add(slow, e.Mul(e, big.NewRat(share, r.To-r.From)))
			}
		}
		switch {
		case (covered == c-a) != (whole != nil):
			t.Fatalf("covered %d of %d, whole %v", covered, c-a, whole)
		case whole == nil:
		case whole.Cmp(slow) != 0 || whole.Cmp(left.Add(left, right)) != 0:
			t.Fatalf("whole %s, parts %s, slow %s", whole, left, slow)
		}
	})
}

// Cells tile what was asked for, and are metered exactly where a reading is.
func TestCellsTile(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, _, err := New("x", anyReadings(t), nil)
		if err != nil {
			t.Fatal(err)
		}
		from := rapid.Int64Range(0, 60_000).Draw(t, "from")
		to := from + rapid.Int64Range(1, 60_000).Draw(t, "length")
		at := from
		for _, c := range s.Cells(from, to) {
			if c.From != at || c.To <= c.From || c.To > to {
				t.Fatalf("cell %v after %d", c, at)
			}
			if (c.Why == "") != s.Covers(c.From, c.To) {
				t.Fatalf("cell %v, covered %t", c, s.Covers(c.From, c.To))
			}
			at = c.To
		}
		if at != to {
			t.Fatalf("cells end at %d, not %d", at, to)
		}
	})
}

func TestCellsInAGap(t *testing.T) {
	s, _, err := New("x", []Reading{{From: 900, To: 2700, Energy: 1}, {From: 9900, To: 11700, Energy: 1}},
		[]Hole{{From: 4500, To: 6300, Why: Empty}})
	if err != nil {
		t.Fatal(err)
	}
	want := []Cell{
		{From: 0, To: 900, Why: NoReading},
		{From: 900, To: 2700},
		{From: 2700, To: 4500, Why: NoReading},
		{From: 4500, To: 6300, Why: Empty},
		{From: 6300, To: 8100, Why: NoReading},
		{From: 8100, To: 9900, Why: NoReading},
		{From: 9900, To: 11700},
		{From: 11700, To: 12600, Why: NoReading},
	}
	if d := cmp.Diff(want, s.Cells(0, 12600)); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
	empty := &Series{}
	if d := cmp.Diff([]Cell{{From: 5, To: 9, Why: NoReading}}, empty.Cells(5, 9)); d != "" {
		t.Error(d)
	}
	if from, to := empty.Bounds(); !from.IsZero() || !to.IsZero() || empty.Energy(0, 1) != nil {
		t.Error("an empty series has bounds or energy")
	}
}

// The order of readings does not matter, nor does giving them twice.
func TestNewSorts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings := anyReadings(t)
		want, _, _ := New("x", readings, nil)
		got, _, _ := New("x", rapid.Permutation(append(readings, readings...)).Draw(t, "order"), nil)
		if d := cmp.Diff(want.Readings(), got.Readings()); d != "" {
			t.Fatal(d)
		}
		if d := cmp.Diff(want.Holes(), got.Holes()); d != "" {
			t.Fatal(d)
		}
	})
}

func TestMerge(t *testing.T) {
	half := func(name string, from int64, values ...Energy) *Series {
		var r []Reading
		for i, v := range values {
			if v >= 0 {
				r = append(r, Reading{From: from + int64(i)*1800, To: from + int64(i+1)*1800, Energy: v})
			}
		}
		s, _, err := New(name, r, nil)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	hour := func(name string, from int64, v Energy) *Series {
		s, _, _ := New(name, []Reading{{From: from, To: from + 3600, Energy: v}}, nil)
		return s
	}
	for _, c := range []struct {
		name string
		list []*Series
		want int    // readings
		sum  int64  // of all
		err  string // instead
	}{
		{"none", nil, 0, 0, ""},
		{"one", []*Series{half("a", 0, 1, 2)}, 2, 3, ""},
		{"side by side", []*Series{half("a", 0, 1, 2), half("b", 3600, 3)}, 3, 6, ""},
		{"the later first", []*Series{half("b", 3600, 3), half("a", 0, 1, 2)}, 3, 6, ""},
		{"an overlap that agrees", []*Series{half("a", 0, 1, 2, 3), half("b", 1800, 2, 3, 4)}, 4, 10, ""},
		{"one fills the other's gap", []*Series{half("a", 0, 1, -1, 3), half("b", 1800, 2)}, 3, 6, ""},
		{"hours over half hours", []*Series{half("a", 0, 1, 2), hour("b", 0, 3)}, 2, 3, ""},
		{"half hours over hours", []*Series{hour("b", 0, 3), half("a", 0, 1, 2)}, 2, 3, ""},
		{"three", []*Series{half("a", 0, 1), half("b", 1800, 2), half("c", 0, 1, 2, 3)}, 3, 6, ""},
		{"disagreeing", []*Series{half("a", 0, 1, 2), half("b", 1800, 36_000_000_000)}, 0, 0, "a and b disagree on 1970-01-01T00:30:00Z to 1970-01-01T01:00:00Z: 0.000000000001 kWh and 0.01 kWh: leave one of them out"},
		{"disagreeing sums", []*Series{half("a", 0, 1, 2), hour("b", 0, 36_000_000_000)}, 0, 0, "a and b disagree on 1970-01-01T00:00:00Z"},
		{"intervals that do not fit", []*Series{half("a", 1800, 1, 2), hour("b", 0, 3)}, 0, 0, "a and b overlap at 1970-01-01T00:00:00Z in intervals that do not fit into each other"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, _, err := Merge(c.list...)
			if c.err != "" {
				if err == nil || !strings.HasPrefix(err.Error(), c.err) {
					t.Fatalf("%v, want %s", err, c.err)
				}
				return
			}
			if err != nil || s.Len() != c.want || s.Sum().Int64() != c.sum {
				t.Fatalf("%d readings of %s, %v", s.Len(), s.Sum(), err)
			}
		})
	}
}

// Two files cut from one series in any way give it back, whichever comes first; a gap in one is filled by the other.
func TestMergeGivesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings := anyReadings(t)
		var a, b []Reading
		for _, r := range readings {
			switch rapid.IntRange(0, 2).Draw(t, "where") {
			case 0:
				a = append(a, r)
			case 1:
				b = append(b, r)
			default:
				a, b = append(a, r), append(b, r)
			}
		}
		want, _, _ := New("x", readings, nil)
		one, _, _ := New("a", a, nil)
		two, _, _ := New("b", b, nil)
		for _, order := range [][]*Series{{one, two}, {two, one}} {
			got, _, err := Merge(order...)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(want.Readings(), got.Readings()); d != "" {
				t.Fatal(d)
			}
			if d := cmp.Diff(want.Holes(), got.Holes()); d != "" {
				t.Fatal(d)
			}
		}
	})
}
