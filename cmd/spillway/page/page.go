package page

import (
	"cmp"
	"context"
	"html/template"
	"log/slog"
	"net/http"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/run"
	"spillway/actions/settle"
)

// A State tells how things stand: the newest snapshot, and a channel that closes when there is a newer one.
type State interface {
	Snapshot() (run.Snapshot, <-chan struct{})
}

// Acts takes the two requests that a visitor can make: [run.GiveBack] and [run.StandDown]. What comes of one shows in the
// state.
type Acts interface {
	Ask(ctx context.Context, e run.Event) error
}

// A Record is what was done and which windows there were; the journal is one.
type Record interface {
	Log(ctx context.Context, q journal.Query) ([]actions.StepStanding, error)
	Windows(ctx context.Context, from, to time.Time) ([]journal.Window, error)
}

// A Settlement knows what past windows gained. It answers at once, with what it has; note says in one line what is missing
// or still being worked out, "" for nothing.
type Settlement interface {
	Settled() (results []settle.Result, note string)
}

// A Feed is how the polling of one feed goes.
type Feed struct {
	Name    string
	Asked   time.Time // when it was polled last; zero: not yet
	Good    time.Time // when the copy in force was fetched; zero: there is none
	Next    time.Time // when it is polled next
	Windows int       // that it holds, from yesterday to the horizon
	Trouble string    // one line; "" for none
}

// A Fault is something that is wrong now.
type Fault struct {
	Where, What string
	Since       time.Time
}

// A Tank is one that must reach a hygiene temperature ever so often.
type Tank struct {
	Name    string
	ReachC  float64
	Reached time.Time // when it was that hot last; zero: never seen
	Due     time.Time // when it must be again; zero: it was never read
}

// Options are what a page needs. State, Acts, Record and Premises must be there.
type Options struct {
	Premises   *actions.Premises
	State      State
	Acts       Acts
	Record     Record
	Settlement Settlement                 // nil: nothing is said of gains
	Feeds      func() []Feed              // nil: none are shown
	Faults     func(run.Snapshot) []Fault // what is wrong; nil: the troubles of the snapshot
	Tanks      func() []Tank              // nil: none are shown
	// TakeUp takes up again a window that was stood down; nil: the page does not offer it.
	TakeUp func(ctx context.Context, window string) error
	// DownUntil is until when every window is stood down that begins before; zero: none is. nil: as zero.
	DownUntil func() time.Time
	Now       func() time.Time
	Watch     bool // nothing is sent
	Locks     Locks
	// Calendar serves the plan feed at /plan.ics to a calendar program that logs in by basic authentication (RFC 7617);
	// nil: it does not. It is not served where no lock is set.
	Calendar http.Handler
	// CalendarPath is the feed's secret path, shown to who may read the page anyway; nil or "": not shown.
	CalendarPath func() string
	Log          *slog.Logger
}

// Paths of the page.
const (
	rootPath     = "/"
	loginPath    = "/login"
	logoutPath   = "/logout"
	backPath     = "/put-back"
	downPath     = "/stand-down"
	upPath       = "/take-up"
	eventsPath   = "/events"
	assetsPath   = "/assets/"
	calendarPath = "/plan.ics"
)

// A Page is the status page and its acts. It is safe for concurrent use.
type Page struct {
	opt       Options
	log       *slog.Logger
	keeper    *keeper
	hosts     hosts
	templates *template.Template
	assets    assets
	live      chan struct{} // one for each open live connection
	handler   http.Handler
}

// New returns the page. It fails where the password's hash is none, and then says what is wrong with it.
func New(o Options) (*Page, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	log := cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	k, err := newKeeper(o.Locks, time.Now, log)
	if err != nil {
		return nil, err
	}
	p := &Page{opt: o, log: log, keeper: k, hosts: newHosts(o.Locks), live: make(chan struct{}, mostLive)}
	if p.assets, err = readAssets(); err != nil {
		return nil, err
	}
	if p.templates, err = parseTemplates(p.assets); err != nil {
		return nil, err
	}
	p.handler = p.guard(p.routes())
	return p, nil
}

// ServeHTTP answers one request.
func (p *Page) ServeHTTP(w http.ResponseWriter, r *http.Request) { p.handler.ServeHTTP(w, r) }

func (p *Page) routes() http.Handler {
	m := http.NewServeMux()
	m.HandleFunc("GET "+rootPath+"{$}", p.inside(p.show))
	m.HandleFunc("GET "+eventsPath, p.inside(p.events))
	m.HandleFunc("GET "+backPath, p.inside(p.confirmBack))
	m.HandleFunc("POST "+backPath, p.acting(p.putBack))
	m.HandleFunc("GET "+downPath, p.inside(p.confirmDown))
	m.HandleFunc("POST "+downPath, p.acting(p.standDown))
	if p.opt.TakeUp != nil {
		m.HandleFunc("GET "+upPath, p.inside(p.confirmUp))
		m.HandleFunc("POST "+upPath, p.acting(p.takeUp))
	}
	m.HandleFunc("GET "+assetsPath+"{name}", p.asset)
	if p.keeper.Locked() {
		m.HandleFunc("GET "+loginPath, p.showLogin)
		m.HandleFunc("POST "+loginPath, p.login)
		m.HandleFunc("POST "+logoutPath, p.acting(p.logout))
		if p.opt.Calendar != nil {
			m.HandleFunc("GET "+calendarPath, p.calendar)
		}
	}
	m.HandleFunc(rootPath, func(w http.ResponseWriter, r *http.Request) {
		p.refuse(w, r, http.StatusNotFound, "There is nothing here.", "")
	})
	return m
}
