package config

import (
	"time"

	"spillway/actions"
)

// Config is everything that spillway.toml and the environment say, checked. Quantities are in base units.
type Config struct {
	File     string // where it was read from
	State    string // folder of the journal, the last good feeds and the publishing secret; "" where not given
	Horizon  time.Duration
	Ready    time.Duration // readiness: points are read this long before a window
	Premises actions.Premises
	Feeds    []Feed // sorted by name
	Publish  Publish
	Meter    Meter
	Tell     []Tell   // sorted by name
	Notices  []Notice // what is worth a word and no fault, for check
}

// A Notice is one thing that check says of the configuration.
type Notice struct {
	Key, What string
}

// A Feed is an iCalendar source that is polled.
type Feed struct {
	Name       string
	URL        string // http(s), webcal(s), file, a folder's path, or caldav(s)
	Poll       time.Duration
	User       string
	Password   actions.Secret
	Token      actions.Secret
	CAFile     string
	StaleAfter time.Duration
	Procedures []string // which ones it may call; empty: all
	Statements bool     // whether DESCRIPTION lines count
	Organizers []string // lower case; empty: any
	Tentative  bool
	MaxPerDay  int
	MaxBody    int64 // bytes
}

// Publish says where the plan goes.
type Publish struct {
	Listen string // "" publishes over no address
	File   string // path of an .ics to keep up to date
	CalDAV Collection
	Remind time.Duration // alarms this long before a window, and on trouble; 0: none
	User   string
	// PasswordHash is an argon2id hash in PHC form.
	PasswordHash string
	Token        actions.Secret
	Names        []string // further host names that the page is reached under
	TLSCert      string
	TLSKey       string
	Detail       string // phases | steps
}

// A Collection is a CalDAV collection that the plan is put into. Its URL is http(s), "" where there is none.
type Collection struct {
	URL      string
	User     string
	Password actions.Secret
	Token    actions.Secret
	CAFile   string
}

// Meter says how meter files are laid out, and what reads the meter.
type Meter struct {
	Files   []string
	Zone    *time.Location
	Stamp   string            // start | end; "" is start
	Columns map[string]string // by time, energy, end, date, period: header, or number from 1
	Unit    string            // kWh | Wh | MWh | W | kW; "" as the header says

	Interval  time.Duration // 0 finds it
	Decimal   string        // . | ,; "" finds it
	Separator string        // of columns; "" finds it
	Dates     string        // ymd | dmy | mdy; "" finds it
	Register  bool          // readings of a register
	Net       bool          // values may be below zero

	// Point reads the premises' meter, a register in Wh or kWh or the import in W or kW, which `run` records in intervals of
	// Interval (30m where that is 0); nil: nothing is recorded.
	Point *actions.Ref
}

// Tell is someone to be told of faults.
type Tell struct {
	Name     string
	By       string   // webhook | mail | mqtt
	URL      string   // of the webhook, the mail server or the broker; "" where Link is given
	Link     string   // name of the MQTT link to tell it on
	Topic    string   // of MQTT
	From     string   // of mail: an address
	To       []string // of mail: addresses, one at least
	User     string
	Password actions.Secret
	Token    actions.Secret
	CAFile   string
	Faults   []string      // kinds, see [FaultKinds]; empty: all
	After    time.Duration // how long a fault lasts before it is told
	Windows  bool          // whether new windows are told too
}
