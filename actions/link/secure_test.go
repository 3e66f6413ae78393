package link_test

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"encoding/pem"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

func TestTLS(t *testing.T) {
	server := httptest.NewUnstartedServer(http.NotFoundHandler())
	server.Config.ErrorLog = log.New(io.Discard, "", 0) // refused handshakes are the point
	server.StartTLS()
	defer server.Close()
	raw := server.Certificate().Raw
	sum := sha256.Sum256(raw)
	right := hex.EncodeToString(sum[:])
	wrong := strings.Repeat("00", 32)

	dir := t.TempDir()
	ca := filepath.Join(dir, "ca.pem")
	if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	empty := filepath.Join(dir, "empty.pem")
	if err := os.WriteFile(empty, []byte("no certificate"), 0o600); err != nil {
		t.Fatal(err)
	}

	tests := []struct {
		name string
		spec actions.Link
		want string // in the error; "": trusted
	}{
		{"system authorities", actions.Link{}, "unknown authority"},
		{"own authority", actions.Link{CAFile: ca}, ""},
		{"pin", actions.Link{PinSHA: right}, ""},
		{"pin with colons, upper case", actions.Link{PinSHA: strings.ToUpper(right[:2] + ":" + right[2:])}, ""},
		{"another pin", actions.Link{PinSHA: wrong}, "not the one pinned"},
		{"authority and pin", actions.Link{CAFile: ca, PinSHA: right}, ""},
		{"authority and another pin", actions.Link{CAFile: ca, PinSHA: wrong}, "not the one pinned"},
		{"short pin", actions.Link{PinSHA: "abcd"}, "64 hex digits"},
		{"no such file", actions.Link{CAFile: filepath.Join(dir, "none.pem")}, "none.pem"},
		{"no certificate in it", actions.Link{CAFile: empty}, "empty.pem"},
		{"no client certificate", actions.Link{CertFile: empty, KeyFile: empty}, "empty.pem"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, err := link.TLS(tt.spec)
			if err == nil {
				c.ServerName = "example.com" // the name in the test server's certificate
				var conn *tls.Conn
				if conn, err = tls.Dial("tcp", server.Listener.Addr().String(), c); err == nil {
					conn.Close()
				}
			}
			switch {
			case tt.want == "" && err != nil:
				t.Error(err)
			case tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)):
				t.Errorf("got %v, want %q in it", err, tt.want)
			}
		})
	}
}

func TestGate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := link.NewGate()
		if err := g.Enter(t.Context(), "read"); err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithTimeout(t.Context(), time.Second)
		defer stop()
		if err := g.Enter(ctx, "read"); link.ClassOf(err) != link.Unreachable {
			t.Errorf("got %v, want an error of class unreachable", err)
		}
		g.Leave()
		if err := g.Enter(ctx, "read"); link.ClassOf(err) != link.Unreachable {
			t.Errorf("got %v after the end of its context, want an error of class unreachable", err)
		}
		if err := g.Enter(t.Context(), "read"); err != nil {
			t.Error(err)
		}
	})
}

func TestSessions(t *testing.T) {
	failed := func(c link.Class) error { return &link.Error{Class: c} }
	var s link.Sessions
	for i, step := range []struct {
		err  error
		want uint64
	}{
		{failed(link.Unreachable), 0}, {failed(link.Unreachable), 0}, {nil, 1}, {nil, 1},
		{failed(link.Refused), 1}, {failed(link.Rubbish), 1}, {failed(link.Unknown), 1}, {failed(link.Refused), 2}, {nil, 2},
	} {
		s.Note(step.err)
		if got := s.Number(); got != step.want {
			t.Errorf("after exchange %d (%v): session %d, want %d", i, step.err, got, step.want)
		}
	}
}
