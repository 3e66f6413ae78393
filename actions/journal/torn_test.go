package journal_test

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"spillway/actions/journal"
)

// A write-ahead log that was cut off, half written or scribbled over at its end gives the calls up to some point and
// nothing of later ones: each frame carries a checksum over all before it (https://www.sqlite.org/fileformat2.html#walformat).
func TestTornLog(t *testing.T) {
	const calls = 20
	src := t.TempDir()
	j := open(t, src)
	var acknowledged []int64 // length of the log at each return from Write
	for i := range calls {
		if err := j.Write(t.Context(), intent("a"+strconv.Itoa(i), time.Duration(i)*time.Second), intent("b"+strconv.Itoa(i), time.Duration(i)*time.Second)); err != nil {
			t.Fatal(err)
		}
		info, err := os.Stat(filepath.Join(src, journal.File+"-wal"))
		if err != nil {
			t.Fatal(err)
		}
		acknowledged = append(acknowledged, info.Size())
	}
	db, wal := read(t, filepath.Join(src, journal.File)), read(t, filepath.Join(src, journal.File+"-wal"))

	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	for n := range 60 {
		torn := append([]byte(nil), wal...)
		cut := acknowledged[0] + r.Int64N(int64(len(wal))-acknowledged[0]+1)
		switch n % 3 {
		case 0: // the end is missing
			torn = torn[:cut]
		case 1: // the length was recorded, the content not
			clear(torn[cut:])
		case 2: // something else stands there
			for i := range torn[cut:] {
				torn[cut+int64(i)] = byte(r.Uint32())
			}
		}
		dir := fresh(t)
		write(t, filepath.Join(dir, journal.File), db)
		write(t, filepath.Join(dir, journal.File+"-wal"), torn)
		got := reopenPrefix(t, dir, calls)
		least := 0
		for least < calls && acknowledged[least] <= cut {
			least++
		}
		if got < least {
			t.Errorf("cut at %d of %d: %d calls are left, %d were whole", cut, len(wal), got, least)
		}
	}
}

// reopenPrefix opens the journal, checks that it holds whole calls from the first on and can be written to, and returns
// how many.
func reopenPrefix(t *testing.T, dir string, calls int) int {
	t.Helper()
	j := open(t, dir)
	steps := j.Standing().Steps
	if len(steps)%2 != 0 {
		t.Errorf("half a call: %d steps", len(steps))
	}
	for i := range len(steps) / 2 {
		for _, letter := range []string{"a", "b"} {
			if _, ok := steps[letter+strconv.Itoa(i)]; !ok {
				t.Errorf("no prefix of the calls: %d steps without %s%d", len(steps), letter, i)
			}
		}
	}
	if err := j.Write(t.Context(), intent("later", time.Hour)); err != nil {
		t.Error(err)
	}
	if err := j.Close(); err != nil {
		t.Error(err)
	}
	return min(len(steps)/2, calls)
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func write(t *testing.T, path string, b []byte) {
	t.Helper()
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}
