package journal_test

import (
	"database/sql"
	"path/filepath"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

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
	db, err := sql.Open("sqlite", "file:"+filepath.Join(b.TempDir(), journal.File)+
		"?_txlock=immediate&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)")
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	db.SetMaxOpenConns(1)
	if _, err := db.Exec("CREATE TABLE steps (id TEXT, data TEXT)"); err != nil {
		b.Fatal(err)
	}
	insert, err := db.Prepare("INSERT INTO steps VALUES (?, ?)")
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = insert.Close() }()
	for i := 0; b.Loop(); i++ {
		if _, err := insert.Exec("s"+strconv.Itoa(i), "{}"); err != nil {
			b.Fatal(err)
		}
	}
}
