package tell

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
)

// wall is the bubble's clock. It counts what waits on it.
type wall struct{ waits int }

func (w *wall) Now() time.Time { return time.Now().UTC() }
func (w *wall) After(d time.Duration) (<-chan time.Time, func()) {
	w.waits++
	t := time.NewTimer(d)
	return t.C, func() { t.Stop() }
}

// memory is a store that may be full.
type memory struct {
	mu   sync.Mutex
	kept map[string][]byte
	full bool
	puts int
}

func (m *memory) Get(_ context.Context, key string) ([]byte, bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	v, ok := m.kept[key]
	return v, ok, nil
}

func (m *memory) Put(_ context.Context, key string, value []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.full {
		return errors.New("disk full")
	}
	m.puts++
	m.kept[key] = bytes.Clone(value)
	return nil
}

// mailbox is a receiver that can be out of reach.
type mailbox struct {
	mu    sync.Mutex
	start time.Time
	down  bool
	hangs bool
	got   []string // "12m30s fault restore cylinder.boost"
	tried []string // when
	ids   []string
}

func (b *mailbox) Send(ctx context.Context, m Message) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	at := time.Since(b.start).String()
	b.tried = append(b.tried, at)
	b.ids = append(b.ids, m.ID)
	switch {
	case b.hangs:
		<-ctx.Done()
		return ctx.Err()
	case b.down:
		return errors.New("out of reach")
	}
	for _, s := range show(m.Items) {
		b.got = append(b.got, at+" "+s)
	}
	return nil
}

// A stand is a teller in a bubble, with one receiver.
type stand struct {
	store *memory
	box   *mailbox
	clock *wall
	log   bytes.Buffer
	end   func()
	*Teller
}

func newStand(rules Rules) *stand {
	s := &stand{store: &memory{kept: map[string][]byte{}}, box: &mailbox{start: time.Now()}, clock: &wall{}}
	s.begin(rules)
	return s
}

func (s *stand) begin(rules Rules) {
	s.Teller = New(Config{Receivers: []Receiver{{Name: "ada", Rules: rules, Sender: s.box}}, Store: s.store, Clock: s.clock,
		Log: slog.New(slog.NewTextHandler(&s.log, nil))})
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { s.Run(ctx); close(ended) }()
	s.end = func() { cancel(); <-ended }
}

func (s *stand) is(t *testing.T, want ...string) {
	t.Helper()
	synctest.Wait()
	s.box.mu.Lock()
	defer s.box.mu.Unlock()
	if d := cmp.Diff(want, s.box.got); d != "" {
		t.Errorf("told (-want +got):\n%s", d)
	}
}

func broken(key string) Report {
	return Report{Faults: []Fault{{Key: key, Kind: KindLink, Where: "barn", Since: time.Now()}}}
}

func TestTellerTellsOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStand(Rules{After: 2 * time.Minute})
		defer func() { s.end() }()
		r := broken("link barn")
		for range 60 {
			s.See(r)
			time.Sleep(time.Second)
		}
		s.is(t)
		time.Sleep(time.Hour)
		s.See(Report{})
		time.Sleep(time.Hour)
		s.is(t, "2m0s fault link barn", "1h6m0s clear link barn")
	})
}

func TestTellerTriesUntilItCan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStand(Rules{})
		s.box.down = true
		s.See(broken("link barn"))
		time.Sleep(4 * time.Minute)
		synctest.Wait()
		if d := cmp.Diff([]string{"0s", "30s", "1m30s", "3m30s"}, s.box.tried); d != "" {
			t.Errorf("tried (-want +got):\n%s", d)
		}
		if h := s.Health(); len(h) != 1 || h[0].Receiver != "ada" || h[0].Failed != 4 || h[0].Err == nil {
			t.Errorf("health %+v", h)
		}
		// A restart keeps the pause.
		s.end()
		s.begin(Rules{})
		s.See(broken("link barn"))
		s.box.mu.Lock()
		s.box.down = false
		s.box.mu.Unlock()
		time.Sleep(time.Hour)
		s.is(t, "7m30s fault link barn")
		if s.box.ids[0] != s.box.ids[4] {
			t.Error("the repetition has another id")
		}
		if h := s.Health(); h[0].Failed != 0 || h[0].Err != nil {
			t.Errorf("health %+v", h)
		}
		if n := strings.Count(s.log.String(), "cannot be told"); n != 1 {
			t.Errorf("said %d times that it cannot be told:\n%s", n, s.log.String())
		}
		s.end()
	})
}

func TestTellerRemembersOverRestarts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStand(Rules{})
		s.See(broken("link barn"))
		time.Sleep(time.Minute)
		s.end()
		s.begin(Rules{})
		s.See(broken("link barn"))
		time.Sleep(time.Minute)
		s.is(t, "0s fault link barn")
		// It was put right while nobody looked.
		s.end()
		s.begin(Rules{})
		s.See(Report{})
		time.Sleep(time.Hour)
		s.is(t, "0s fault link barn", "7m0s clear link barn")
		s.end()
	})
}

// What is to come is told when it comes, though nothing is reported anew.
func TestTellerWaitsForWhatIsDue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStand(Rules{})
		defer func() { s.end() }()
		due := func(in time.Duration) Report {
			return Report{Faults: []Fault{{Key: "hygiene", Kind: KindHygiene, Since: time.Now(), Due: time.Now().Add(in)}}}
		}
		s.See(due(time.Hour))
		time.Sleep(2 * time.Hour)
		s.See(due(10 * time.Hour))
		time.Sleep(20 * time.Hour)
		s.is(t, "1h0m0s fault hygiene", "2h5m0s clear hygiene", "12h0m0s fault hygiene")
	})
}

// A journal that cannot be written is one of the faults: it is told all the same.
func TestTellerTellsOfAFullDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStand(Rules{})
		defer func() { s.end() }()
		s.store.full = true
		s.See(broken("journal"))
		time.Sleep(time.Hour)
		s.is(t, "0s fault journal")
	})
}

func TestTellerStartsAnewWithoutAMemory(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStand(Rules{})
		s.end()
		s.store.kept["tell/ada"] = []byte("{")
		s.begin(Rules{})
		s.See(broken("link barn"))
		time.Sleep(time.Minute)
		s.is(t, "0s fault link barn")
		s.end()
	})
}

// A receiver that never answers holds up nobody: not the other, not the reports, not the end.
func TestTellerWithAReceiverThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		deaf, box := &mailbox{start: time.Now(), hangs: true}, &mailbox{start: time.Now()}
		teller := New(Config{Receivers: []Receiver{{Name: "deaf", Sender: deaf}, {Name: "ada", Sender: box}},
			Store: &memory{kept: map[string][]byte{}}, Clock: &wall{}})
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan struct{})
		go func() { teller.Run(ctx); close(ended) }()
		for range 100 {
			teller.See(broken("link barn"))
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if d := cmp.Diff([]string{"0s fault link barn"}, box.got); d != "" {
			t.Error(d)
		}
		cancel()
		<-ended
		if waited := time.Since(box.start); waited != time.Second {
			t.Errorf("ended after %s", waited)
		}
	})
}

// Nothing wakes, and nothing is written, while nothing is to be told.
func TestTellerIsIdle(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStand(Rules{Windows: true})
		defer func() { s.end() }()
		w := Window{ID: "w1", Start: time.Now().Add(500 * time.Hour), End: time.Now().Add(501 * time.Hour)}
		r := broken("link barn")
		r.Windows = []Window{w}
		s.See(r)
		time.Sleep(time.Hour)
		synctest.Wait()
		waits, puts := s.clock.waits, s.store.puts
		time.Sleep(400 * time.Hour)
		s.See(r)
		time.Sleep(time.Hour)
		synctest.Wait()
		if s.clock.waits != waits || s.store.puts != puts {
			t.Errorf("%d timers and %d writes in 400 hours", s.clock.waits-waits, s.store.puts-puts)
		}
		s.is(t, "0s fault link barn", "0s taken w1")
	})
}
