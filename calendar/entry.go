package calendar

import "time"

// An Entry is one event to publish. Times are UTC.
type Entry struct {
	UID          string
	Start, End   time.Time
	Summary      string
	Description  string
	Categories   []string
	Cancelled    bool // STATUS:CANCELLED, else CONFIRMED
	Sequence     int
	Stamp        time.Time // DTSTAMP
	LastModified time.Time
	Color        string    // CSS3 name (RFC 7986 5.9), "" for none
	URL          string    // "" for none
	Related      []Related // RFC 9253
	Alarms       []Alarm
	Transparent  bool // TRANSP: the entry does not make its reader busy
	AllDay       bool // Start and End are dates, as midnight UTC of each; End is exclusive (RFC 5545 3.6.1)
}

// Related links an entry to another (RFC 5545 3.8.4.5, RFC 9253 5).
type Related struct {
	UID  string
	Type string // RELTYPE: PARENT, SIBLING, FINISHTOSTART, ...
}

// An Alarm shows Text this long before the start (RFC 5545 3.6.6).
type Alarm struct {
	Before time.Duration
	Text   string
}

// A Publication is a calendar to publish.
type Publication struct {
	ProdID  string
	Name    string        // NAME (RFC 7986 5.1) and X-WR-CALNAME
	Text    string        // DESCRIPTION (RFC 7986 5.2)
	Refresh time.Duration // REFRESH-INTERVAL (RFC 7986 5.7); 0 for none
	Entries []Entry
}
