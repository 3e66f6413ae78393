package meter

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// Every reading of the upper series is in the whole, every reading of the lower one is in it or touched by an upper one,
// and nothing else is.
func TestLayer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		over, _, err := New("over", anyReadings(t), nil)
		if err != nil {
			t.Fatal(err)
		}
		under, _, err := New("under", anyReadings(t), nil)
		if err != nil {
			t.Fatal(err)
		}
		got := map[Reading]int{}
		for _, r := range Layer(over, under).Readings() {
			got[r]++
		}
		for _, r := range over.Readings() {
			got[r]--
		}
		for _, r := range under.Readings() {
			covered := false
			for _, o := range over.Readings() {
				covered = covered || o.From < r.To && o.To > r.From
			}
			if !covered {
				got[r]--
			}
		}
		for r, n := range got {
			if n != 0 {
				t.Fatalf("%+v is there %d times too often", r, n)
			}
		}
	})
}

func TestLayerKeepsReasons(t *testing.T) {
	over, _, err := New("over", []Reading{{From: 0, To: 1800, Energy: 1}}, []Hole{{1800, 3600, Forecast}, {3600, 5400, Empty}})
	if err != nil {
		t.Fatal(err)
	}
	under, _, err := New("under", []Reading{{From: 0, To: 1800, Energy: 9}, {From: 1800, To: 3600, Energy: 2}, {From: 5400, To: 7200, Energy: 3}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	s := Layer(over, under)
	if d := cmp.Diff([]Hole{{3600, 5400, Empty}}, s.Holes()); d != "" {
		t.Error(d)
	}
	if s.Sum().Int64() != 6 || s.Name() != "over, under" {
		t.Errorf("sum %d of %s", s.Sum().Int64(), s.Name())
	}
	for _, one := range []*Series{Layer(nil, over), Layer(over, nil), Layer(over, &Series{}), Layer(&Series{}, over)} {
		if one != over {
			t.Error("a series over nothing is not itself")
		}
	}
	if s := Layer(nil, nil); s.Len() != 0 {
		t.Error("nothing over nothing is something")
	}
}

func TestDifferences(t *testing.T) {
	series := func(readings ...Reading) *Series {
		s, _, err := New("x", readings, nil)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	known := series(Reading{From: 0, To: 1800, Energy: 1}, Reading{From: 1800, To: 3600, Energy: 2})
	next := series(Reading{From: 0, To: 1800, Energy: 1}, Reading{From: 1800, To: 3600, Energy: 5}, Reading{From: 3600, To: 5400, Energy: 2})
	if fresh, changed := Differences(known, next); fresh != 1 || changed != 1 {
		t.Errorf("%d fresh and %d changed, want 1 and 1", fresh, changed)
	}
}
