package httplink

import (
	"encoding/json"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"spillway/actions"
	"spillway/actions/link/linktest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestConformance(t *testing.T) {
	linktest.Run(t, Open, linktest.Traits{}, func(t *testing.T) linktest.Peer { return newBox(t) })
}

// A box holds a number as plain text and a switch as JSON, behind a proxy.
type box struct {
	server *httptest.Server
	*linktest.Proxy
	stop chan struct{}

	mu       sync.Mutex
	manner   linktest.Manner
	delay    time.Duration
	number   float64
	on       bool
	commands int
}

func newBox(t *testing.T) *box {
	t.Helper()
	b := &box{manner: linktest.Accept, stop: make(chan struct{})}
	mux := http.NewServeMux()
	mux.HandleFunc("PUT /api/number", b.put(func(body string) bool {
		x, err := strconv.ParseFloat(body, 64)
		b.number = x
		return err == nil
	}))
	mux.HandleFunc("PUT /api/named", b.put(func(body string) bool {
		var doc struct{ On *bool }
		if json.Unmarshal([]byte(body), &doc) != nil || doc.On == nil {
			return false
		}
		b.on = *doc.On
		return true
	}))
	mux.HandleFunc("GET /api/number", b.get(func() string { return strconv.FormatFloat(b.number, 'f', -1, 64) + "\n" }))
	mux.HandleFunc("GET /api/named", b.get(func() string { return `{"state": {"on": ` + strconv.FormatBool(b.on) + `}}` }))
	b.server = httptest.NewUnstartedServer(mux)
	b.server.Config.ErrorLog = log.New(io.Discard, "", 0)
	b.server.Start()
	var err error
	if b.Proxy, err = linktest.NewProxy(strings.TrimPrefix(b.server.URL, "http://")); err != nil {
		t.Fatal(err)
	}
	return b
}

// behaves waits, or takes over the answer, as the manner asks. It reports whether the box is to go on as usual.
func (b *box) behaves(w http.ResponseWriter, r *http.Request) bool {
	b.mu.Lock()
	manner, delay := b.manner, b.delay
	b.mu.Unlock()
	switch manner {
	case linktest.Silent:
		select {
		case <-b.stop:
		case <-r.Context().Done():
		}
		return false
	case linktest.Late:
		select {
		case <-b.stop:
		case <-time.After(delay):
		}
	case linktest.Refuse:
		if r.Method != http.MethodGet {
			http.Error(w, "not now\r\n", http.StatusConflict)
			return false
		}
	case linktest.Rubbish:
		if r.Method == http.MethodGet {
			_, _ = io.WriteString(w, "<html>\r\n"+strings.Repeat("\x00é", 3000))
			return false
		}
	case linktest.Endless:
		if r.Method == http.MethodGet {
			some := make([]byte, 1<<16)
			for {
				if _, err := w.Write(some); err != nil {
					return false
				}
			}
		}
	}
	return true
}

func (b *box) put(set func(string) bool) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		b.mu.Lock()
		b.commands++
		b.mu.Unlock()
		if !b.behaves(w, r) {
			return
		}
		b.mu.Lock()
		defer b.mu.Unlock()
		if b.manner != linktest.Lossy && !set(string(body)) {
			http.Error(w, "what is "+string(body)+"?", http.StatusBadRequest)
		}
	}
}

func (b *box) get(state func() string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !b.behaves(w, r) {
			return
		}
		b.mu.Lock()
		defer b.mu.Unlock()
		_, _ = io.WriteString(w, state())
	}
}

func (b *box) Spec() actions.Link {
	return actions.Link{Name: "boiler_house", URL: "http://" + b.Proxy.Addr() + "/api", Protocol: "http"}
}

func (b *box) Points() (number, named *actions.Point) {
	number = &actions.Point{
		Ref:  actions.Ref{Device: "box", Point: "number"},
		Unit: "W", HasRange: true, Max: 5000,
		Write: &actions.Address{Path: "number"},
		Read:  &actions.Address{Path: "number"},
	}
	named = &actions.Point{
		Ref:    actions.Ref{Device: "box", Point: "named"},
		Values: []actions.NamedValue{{Name: "off", Wire: false}, {Name: "on", Wire: true}},
		Write:  &actions.Address{Path: "named", Body: `{"on": {value}}`},
		Read:   &actions.Address{Path: "named", Pick: "$.state.on"},
	}
	return number, named
}

func (b *box) Behave(m linktest.Manner, delay time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.manner, b.delay = m, delay
}

func (b *box) Put(p *actions.Point, v actions.Value) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if p.Ref.Point == "number" {
		b.number = v.Number
	} else {
		b.on = v.Name == "on"
	}
}

func (b *box) Has(p *actions.Point) actions.Value {
	b.mu.Lock()
	defer b.mu.Unlock()
	if p.Ref.Point == "number" {
		return actions.Number(b.number)
	}
	return actions.Named(map[bool]string{false: "off", true: "on"}[b.on])
}

func (b *box) Commands() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.commands
}

func (b *box) Close() {
	close(b.stop)
	b.Proxy.Close()
	b.server.Close()
}
