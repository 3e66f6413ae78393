package house

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"sync"
	"time"
)

// maxBody is what a small box takes.
const maxBody = 4096

// boxHandler puts HTTP in front of the box of a link.
func (h *House) boxHandler(link string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxBody))
		if err != nil {
			http.Error(w, errorBody("the body is too long or broke off"), http.StatusBadRequest)
			return
		}
		var a Answer
		h.do(func(s *Site, now time.Time) { a = s.Request(now, link, r.Method, r.URL.Path, body) })
		if a.Delay > 0 {
			ready, stop := h.clock.After(a.Delay)
			defer stop()
			select {
			case <-ready:
			case <-r.Context().Done():
				return
			}
		}
		if a.Status == 0 {
			panic(http.ErrAbortHandler) // net/http's way to break the connection off
		}
		if a.Body != "" {
			w.Header().Set("Content-Type", "application/json")
		}
		w.WriteHeader(a.Status)
		_, _ = io.WriteString(w, a.Body) // a client that went away needs no answer
	})
}

// A server is one HTTP server on a free loopback port.
type server struct {
	http *http.Server
	addr string
	done sync.WaitGroup
	err  error
}

func serve(ctx context.Context, handler http.Handler) (*server, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("listen for a box: %w", err)
	}
	s := &server{addr: l.Addr().String(), http: &http.Server{
		Handler:           handler,
		ReadHeaderTimeout: 10 * time.Second,
		BaseContext:       func(net.Listener) context.Context { return ctx },
	}}
	s.done.Go(func() {
		if err := s.http.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			s.err = err
		}
	})
	return s, nil
}

func (s *server) url() string { return "http://" + s.addr + "/" }

// close breaks off what is still going on: a box that is switched off does not finish its sentence.
func (s *server) close() error {
	err := s.http.Close()
	s.done.Wait()
	return errors.Join(err, s.err)
}
