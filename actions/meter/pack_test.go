package meter

import (
	"bytes"
	"compress/gzip"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

// What is packed comes back whole: readings, holes and their reasons.
func TestPackRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings := anyReadings(t)
		for i := range readings {
			readings[i].Estimated = rapid.Bool().Draw(t, "estimated")
		}
		var holes []Hole
		if n := len(readings); n > 0 && rapid.Bool().Draw(t, "hole") {
			end := readings[n-1].To
			holes = append(holes, Hole{end, end + 1800, Forecast})
		}
		s, _, err := New("x", readings, holes)
		if err != nil {
			t.Fatal(err)
		}
		packed := Pack(s)
		back, err := Unpack("x", packed)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(s, back, cmp.AllowUnexported(Series{}), cmpopts.EquateEmpty()); d != "" {
			t.Fatal(d)
		}
		if !bytes.Equal(packed, Pack(back)) {
			t.Fatal("equal series, other bytes")
		}
	})
}

func zipped(t testing.TB, lines ...string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	if _, err := z.Write([]byte(strings.Join(lines, "\n") + "\n")); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestUnpackRefuses(t *testing.T) {
	whole := zipped(t, packHead, "1800 1800 100")
	for _, c := range []struct {
		name string
		data []byte
		want string
	}{
		{"no gzip", []byte("1800 1800 100"), "the journal: is no packed meter data: gzip: invalid header"},
		{"another text", zipped(t, "time,value"), "the journal: is no packed meter data of this program"},
		{"a later form", zipped(t, "spillway meter data 2"), "the journal: is no packed meter data of this program"},
		{"cut off", whole[:len(whole)-9], "the journal: is cut off: fetch it again"},
		{"no length", zipped(t, packHead, "1800 0 100"), "the journal: line 2: is no reading and no gap"},
		{"no energy", zipped(t, packHead, "1800 1800 1e9"), "the journal: line 2: is no reading and no gap"},
		{"too much", zipped(t, packHead, "1800 1800 9007199254740993"), "the journal: line 2: is no reading and no gap"},
		{"out of order", zipped(t, packHead, "1800 1800 1", "0 1800 1"), "the journal: its readings overlap or are out of order"},
		{"overlap", zipped(t, packHead, "0 1800 1", "900 1800 1"), "the journal: its readings overlap or are out of order"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if _, err := Unpack("the journal", c.data); err == nil || err.Error() != c.want {
				t.Errorf("got %v, want %s", err, c.want)
			}
		})
	}
}

func FuzzUnpack(f *testing.F) {
	f.Add([]byte(packHead + "\n0 1800 100\n1800 900 -5 e\n2700 900 !a gap\n"))
	f.Add([]byte(packHead + "\n-9223372036854775808 1 1\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := Unpack("x", zipped(t, string(text)))
		if err != nil {
			return
		}
		back, err := Unpack("x", Pack(s))
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(s, back, cmp.AllowUnexported(Series{}), cmpopts.EquateEmpty()); d != "" {
			t.Fatal(d)
		}
	})
}

func BenchmarkPackYear(b *testing.B) {
	var readings []Reading
	for i := range int64(17_520) {
		readings = append(readings, Reading{From: i * 1800, To: i*1800 + 1800, Energy: Energy(i * 7_919_000_000 % 9e12)})
	}
	s, _, err := New("x", readings, nil)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := Unpack("x", Pack(s)); err != nil {
			b.Fatal(err)
		}
	}
}
