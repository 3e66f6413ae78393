package meter

import (
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // so that zones are the same on every machine
)

// zone loads a zone that the tests know to exist.
func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// at returns the Unix seconds of an RFC 3339 time.
func at(t testing.TB, s string) int64 {
	t.Helper()
	x, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return x.Unix()
}

// shared opens a file of open data that stands beside the repository and is no part of it. Where it is absent the test is
// skipped, except in CI, which has it.
func shared(t testing.TB, name string) *os.File {
	t.Helper()
	path := filepath.Join("..", "..", "..", "shared", "data", name)
	f, err := os.Open(path)
	switch {
	case err == nil:
		t.Cleanup(func() { _ = f.Close() })
		return f
	case os.Getenv("SPILLWAY_CI") == "1":
		t.Fatalf("open data is missing in CI: %v", err)
	}
	t.Skipf("open data not beside the repository (%s): skipped", path)
	return nil
}

// list writes readings one a line: start, minutes, kWh.
func list(s *Series) string {
	var b strings.Builder
	for _, r := range s.Readings() {
		b.WriteString(stamp(r.From) + " " + time.Duration(int64(time.Second)*(r.To-r.From)).String() + " " + strings.TrimSuffix(r.Energy.String(), " kWh"))
		if r.Estimated {
			b.WriteString(" estimated")
		}
		b.WriteByte('\n')
	}
	return b.String()
}

func notes(list []Note) string {
	var lines []string
	for _, n := range list {
		lines = append(lines, n.String())
	}
	return strings.Join(lines, "\n")
}

func readString(t *testing.T, text string, l Layout) (*Series, []Note) {
	t.Helper()
	s, n, err := Read(strings.NewReader(text), "f.csv", l)
	if err != nil {
		t.Fatal(err)
	}
	return s, n
}

// Name returns the file the series was read from, or the names of those merged.
func (s *Series) Name() string { return s.name }

// Sum returns the energy of all readings in microjoules.
func (s *Series) Sum() *big.Int {
	sum := new(big.Int)
	for _, r := range s.readings {
		sum.Add(sum, big.NewInt(int64(r.Energy)))
	}
	return sum
}
