package journal_test

import (
	"database/sql"
	"encoding/json"
	"path/filepath"
	"slices"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
)

// BenchmarkWrite is one entry a call; BenchmarkRawInsert is the least that SQLite asks for one durable row with the same
// settings.
func BenchmarkWrite(b *testing.B) {
	j := open(b, b.TempDir())
	for i := 0; b.Loop(); i++ {
		if err := j.Write(b.Context(), intent("s"+strconv.Itoa(i%100), time.Duration(i)*time.Millisecond)); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkWriteParallel is many links at once, which share commits.
func BenchmarkWriteParallel(b *testing.B) {
	j := open(b, b.TempDir())
	var n atomic.Int64
	b.SetParallelism(50)
	b.RunParallel(func(pb *testing.PB) {
		for pb.Next() {
			i := n.Add(1)
			if err := j.Write(b.Context(), intent("s"+strconv.Itoa(int(i%100)), time.Duration(i)*time.Millisecond)); err != nil {
				b.Error(err)
			}
		}
	})
}

func BenchmarkRawInsert(b *testing.B) {
	insert := rawInsert(b)
	for i := 0; b.Loop(); i++ {
		insert(i)
	}
}

// rawInsert returns a function that makes one row as long as an intent durable, in a file of its own.
func rawInsert(b *testing.B) func(i int) {
	db, err := sql.Open("sqlite", "file:"+filepath.Join(b.TempDir(), journal.File)+
		"?_txlock=immediate&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = db.Close() })
	db.SetMaxOpenConns(1)
	if _, err := db.Exec("CREATE TABLE steps (id TEXT, data TEXT)"); err != nil {
		b.Fatal(err)
	}
	insert, err := db.Prepare("INSERT INTO steps VALUES (?, ?)")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = insert.Close() })
	data, err := json.Marshal(actions.StepStanding{Step: intent("s1", 0).Step})
	if err != nil {
		b.Fatal(err)
	}
	return func(i int) {
		if _, err := insert.Exec("s"+strconv.Itoa(i), string(data)); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkWriteBesideRaw takes the two in turn, since a disk is as fast as others let it be, and tells by how much the
// middle write is slower than the middle raw insert: for one intent, and for those of steps that are due together.
func BenchmarkWriteBesideRaw(b *testing.B) {
	for _, n := range []int{1, 10, 100, 1000} {
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			j, insert := open(b, b.TempDir()), rawInsert(b)
			var ours, raw []time.Duration
			for i := 0; b.Loop(); i++ {
				var entries []actions.Entry
				for k := range n {
					e := intent("s"+strconv.Itoa((i*n+k)%(100*n)), time.Duration(i)*time.Millisecond)
					e.Step.Link, e.Step.Point.Device = "link"+strconv.Itoa(k), "device"+strconv.Itoa(k)
					entries = append(entries, e)
				}
				began := time.Now()
				if err := j.Write(b.Context(), entries...); err != nil {
					b.Fatal(err)
				}
				between := time.Now()
				insert(i)
				ours, raw = append(ours, between.Sub(began)), append(raw, time.Since(between))
			}
			slices.Sort(ours)
			slices.Sort(raw)
			b.ReportMetric(float64(ours[len(ours)/2].Nanoseconds()), "ns/write")
			b.ReportMetric(float64(raw[len(raw)/2].Nanoseconds()), "ns/raw")
			b.ReportMetric(float64(ours[len(ours)/2])/float64(raw[len(raw)/2]), "ratio")
			b.ReportMetric(float64(ours[len(ours)/2].Nanoseconds())/float64(n), "ns/entry")
		})
	}
}

// BenchmarkOpenYear opens a journal that holds a year of history: 100 steps and 1,000 readings a day.
func BenchmarkOpenYear(b *testing.B) {
	dir := b.TempDir()
	j := open(b, dir)
	if err := j.Write(b.Context(), intent("s1", 0)); err != nil {
		b.Fatal(err)
	}
	for _, query := range []string{
		`WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 36500)
		INSERT INTO steps (id, window, device, first, last, live, data)
		SELECT 'h' || i, 'w' || (i / 10), device, i * 864000000000, i * 864000000000 + 1000000000, 0, data FROM n, steps WHERE id = 's1'`,
		`WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 365000)
		INSERT INTO readings (ref, at, number) SELECT 'barn_battery.charge_level', i * 86400000000, i % 100 FROM n`,
	} {
		if err := j.Exec(query); err != nil {
			b.Fatal(err)
		}
	}
	if err := j.Close(); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		j := open(b, dir)
		if n := len(j.Standing().Steps); n != 1 {
			b.Fatalf("%d steps are part of standing", n)
		}
		if err := j.Close(); err != nil {
			b.Fatal(err)
		}
	}
}
