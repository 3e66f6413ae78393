package main

import (
	"context"
	"errors"
	"net/http/httptest"
	"testing"
	"testing/synctest"
	"time"

	"spillway/actions"
)

func TestHealth(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var dead, wrote, full error
		asked, put := 0, 0
		h := &health{
			alive: func(context.Context) error { asked++; return dead },
			wrote: func() error { return wrote },
			put:   func(context.Context) error { put++; return full },
		}
		is := func(name string, code int, line string) {
			t.Helper()
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequest("GET", "/healthz", nil))
			if w.Code != code || w.Body.String() != line+"\n" {
				t.Errorf("%s: %d %q", name, w.Code, w.Body)
			}
		}
		is("all is well", 200, "ok")
		for range 100 {
			is("asked often", 200, "ok")
		}
		if asked != 1 || put != 1 {
			t.Errorf("asked %d times, the runner was made to turn %d times and the journal written %d times", 101, asked, put)
		}
		time.Sleep(2 * time.Second)
		dead = errSilentRunner
		is("silent runner", 503, "the runner does not answer")
		time.Sleep(2 * time.Second)
		dead, wrote = nil, errors.New("disk full")
		is("the runner's write failed", 503, "the journal cannot be written")
		time.Sleep(2 * time.Second)
		wrote = nil
		is("and went well again", 200, "ok")
		time.Sleep(time.Minute)
		full = errors.New("disk full")
		is("the disk is full", 503, "the journal cannot be written")
		time.Sleep(2 * time.Second)
		full = nil
		is("and has room again", 200, "ok")
		if put != 3 {
			t.Errorf("the journal was written %d times, want 3", put)
		}
	})
}

type silentJournal struct{ err error }

func (silentJournal) Standing() actions.Standing { return actions.NewStanding() }
func (silentJournal) Newest() time.Time          { return time.Time{} }
func (s silentJournal) Write(context.Context, ...actions.Entry) error {
	return s.err
}

func TestPulse(t *testing.T) {
	counted := 0
	p := &pulse{Journal: silentJournal{}, count: func(actions.Entry) { counted++ }}
	first, second := p.next(), p.next()
	select {
	case <-first:
		t.Fatal("a beat before the runner turned")
	default:
	}
	p.Newest()
	<-first
	<-second
	if err := p.Write(t.Context(), actions.Entry{}, actions.Entry{}); err != nil || p.wrote() != nil || counted != 2 {
		t.Errorf("%v, %v, %d entries counted", err, p.wrote(), counted)
	}
	p.Journal = silentJournal{errors.New("disk full")}
	if err := p.Write(t.Context(), actions.Entry{}); err == nil || p.wrote() == nil || counted != 2 {
		t.Errorf("%v, %v, %d entries counted", err, p.wrote(), counted)
	}
}
