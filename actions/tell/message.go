package tell

import (
	"cmp"
	"crypto/sha256"
	"encoding/base32"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// What an [Item] says.
const (
	StateFault = "fault" // it is wrong now
	StateClear = "clear" // it is in order again
	StateTaken = "taken" // a window was taken, or is at another time now
	StateOff   = "off"   // a window that was told is off
	StateTest  = "test"  // nothing is wrong: someone tries whether it can be told
)

const (
	aboutFault  = iota // key is a fault's
	aboutWindow        // key is a window's id
)

// An Item is one thing that is told. Its texts are one printable line each.
type Item struct {
	ID     string // the same whenever it is told again
	State  string // fault | clear | taken | off | test
	Kind   Kind   // "" for windows
	Where  string
	What   string
	Since  time.Time // a fault's; a window's start
	Until  time.Time // since when it is in order again; a window's end
	Window *Window   // of windows

	about int
	key   string
	was   span
}

func faultItem(e *entry) Item {
	return Item{ID: idOf(StateFault, e.Key, e.Since), State: StateFault, Kind: e.Kind, Where: line(e.Where, mostWhere), What: line(e.What, mostWhat),
		Since: e.Since, key: e.Key}
}

func clearItem(e *entry) Item {
	i := faultItem(e)
	i.ID, i.State, i.Until = idOf(StateClear, e.Key, e.Since), StateClear, e.Gone
	return i
}

func takenItem(t *taken) Item {
	w := t.Window
	return Item{ID: idOf(StateTaken, w.ID, w.Start, w.End), State: StateTaken, Where: cmp.Or(line(w.Title, mostWhere), "no title"), What: problems(w.Problems),
		Since: w.Start, Until: w.End, Window: &w, about: aboutWindow, key: w.ID, was: t.Was}
}

func offItem(t *taken) Item {
	i := takenItem(t)
	i.ID, i.State, i.What = idOf(StateOff, t.ID, t.Start, t.End), StateOff, ""
	return i
}

func problems(list []string) string {
	if len(list) == 0 {
		return "no problems"
	}
	return line(strings.Join(list, "; "), mostWhat)
}

// idOf makes an id that a receiver can tell a repetition by.
func idOf(state, key string, at ...time.Time) string {
	text := state + "\x00" + key
	for _, t := range at {
		text += "\x00" + t.UTC().Format(time.RFC3339Nano)
	}
	return short(text)
}

func short(text string) string {
	sum := sha256.Sum256([]byte(text))
	return strings.ToLower(base32.StdEncoding.EncodeToString(sum[:10]))
}

// compare puts faults before all-clears before windows, and the graver and older first.
func (i Item) compare(o Item) int {
	order := []string{StateFault, StateClear, StateTaken, StateOff}
	grave := func(k Kind) int { return slices.Index(append(Kinds(), KindOther, ""), k) }
	return cmp.Or(
		cmp.Compare(slices.Index(order, i.State), slices.Index(order, o.State)),
		cmp.Compare(grave(i.Kind), grave(o.Kind)),
		i.Since.Compare(o.Since), cmp.Compare(i.key, o.key))
}

// A Message is what is delivered at once.
type Message struct {
	ID    string // the same for the same items
	To    string // the receiver's name
	At    time.Time
	Zone  *time.Location // of times that people read
	Items []Item
}

func newMessage(to string, at time.Time, zone *time.Location, items []Item) Message {
	text := to
	for _, i := range items {
		text += "\x00" + i.ID
	}
	return Message{ID: short(text), To: to, At: at, Zone: zone, Items: items}
}

// Test is a message that tells nothing, to try whether a receiver can be told.
func Test(to string, at time.Time, zone *time.Location) Message {
	return newMessage(to, at, zone, []Item{{ID: idOf(StateTest, to, at), State: StateTest, Where: "this is a test",
		What: "nothing is wrong; what goes wrong is told to you this way", Since: at}})
}

// Subject sums the message up in one line of at most 120 characters.
func (m Message) Subject() string {
	if len(m.Items) == 1 {
		return line("Spillway: "+m.say(m.Items[0], false), mostSubject)
	}
	counts := map[string]int{}
	for _, i := range m.Items {
		counts[i.State]++
	}
	var parts []string
	for _, c := range []struct{ state, one, many string }{
		{StateFault, "fault", "faults"}, {StateClear, "in order again", "in order again"},
		{StateTaken, "window taken", "windows taken"}, {StateOff, "window off", "windows off"},
	} {
		switch n := counts[c.state]; n {
		case 0:
		case 1:
			parts = append(parts, "1 "+c.one)
		default:
			parts = append(parts, strconv.Itoa(n)+" "+c.many)
		}
	}
	return "Spillway: " + strings.Join(parts, ", ")
}

// Text is the message as people read it: a line for each item.
func (m Message) Text() string {
	var b strings.Builder
	for _, i := range m.Items {
		b.WriteString(m.say(i, true) + "\n")
	}
	return b.String()
}

// say tells one item in a line; full adds when.
func (m Message) say(i Item, full bool) string {
	switch {
	case i.State == StateTaken:
		return m.sayTaken(i)
	case i.State == StateOff:
		return fmt.Sprintf("%s to %s is off: %s", m.clock(i.Since), m.sameDay(i.Since, i.Until), i.Where)
	case i.State == StateClear && full:
		return fmt.Sprintf("In order again since %s: %s. It was wrong from %s: %s", m.clock(i.Until), i.Where, m.clock(i.Since), i.What)
	case i.State == StateClear:
		return "in order again: " + i.Where
	case full:
		return fmt.Sprintf("Since %s: %s: %s", m.clock(i.Since), i.Where, i.What)
	}
	return i.Where + ": " + i.What
}

// sayTaken says: Sat 5 Dec 13:00 taken, lead-in 12:58, no problems (to 14:00, Free power).
func (m Message) sayTaken(i Item) string {
	said := m.clock(i.Since) + " taken"
	if i.was != (span{}) {
		said = fmt.Sprintf("%s is at %s now", m.clock(i.was.Start), m.clock(i.Since))
	}
	lead := "no lead-in"
	if w := i.Window; w.LeadIn.Before(w.Start) {
		lead = "lead-in " + m.sameDay(w.Start, w.LeadIn)
	}
	return fmt.Sprintf("%s, %s, %s (to %s, %s)", said, lead, i.What, m.sameDay(i.Since, i.Until), i.Where)
}

func (m Message) clock(t time.Time) string { return t.In(m.Zone).Format("Mon 2 Jan 15:04") }

// sameDay leaves the day out where it is that of the other time.
func (m Message) sameDay(other, t time.Time) string {
	const day = "2006-01-02"
	if other.In(m.Zone).Format(day) == t.In(m.Zone).Format(day) {
		return t.In(m.Zone).Format("15:04")
	}
	return m.clock(t)
}

type messageJSON struct {
	ID      string     `json:"id"`
	At      time.Time  `json:"at"`
	Subject string     `json:"subject"`
	Items   []itemJSON `json:"items"`
}

type itemJSON struct {
	ID     string      `json:"id"`
	State  string      `json:"state"`
	Kind   Kind        `json:"kind,omitempty"`
	Where  string      `json:"where"`
	What   string      `json:"what"`
	Since  time.Time   `json:"since,omitzero"`
	Until  time.Time   `json:"until,omitzero"`
	Window *windowJSON `json:"window,omitempty"`
}

type windowJSON struct {
	ID     string    `json:"id"`
	Start  time.Time `json:"start"`
	End    time.Time `json:"end"`
	LeadIn time.Time `json:"lead_in"`
}

// JSON is the message for programs: id, at, subject, and items with id, state (fault, clear, taken, off, test), kind, where, what, and
// of faults since and until, of windows window. Times are RFC 3339 in UTC.
func (m Message) JSON() []byte {
	out := messageJSON{ID: m.ID, At: second(m.At), Subject: m.Subject(), Items: []itemJSON{}}
	for _, i := range m.Items {
		j := itemJSON{ID: i.ID, State: i.State, Kind: i.Kind, Where: i.Where, What: i.What}
		if i.Window != nil {
			j.Window = &windowJSON{ID: i.Window.ID, Start: second(i.Since), End: second(i.Until), LeadIn: second(i.Window.LeadIn)}
		} else {
			j.Since, j.Until = second(i.Since), second(i.Until)
		}
		out.Items = append(out.Items, j)
	}
	b, err := json.Marshal(out)
	if err != nil {
		panic("tell: " + err.Error()) // texts, and times that second let through, always marshal
	}
	return b
}

// second returns t as JSON can have it (RFC 3339: years of four digits).
func second(t time.Time) time.Time {
	if t = t.UTC().Truncate(time.Second); t.Year() < 0 || t.Year() > 9999 {
		return time.Time{}
	}
	return t
}

// Lengths of texts, in characters.
const (
	mostWhere   = 120
	mostWhat    = 500
	mostSubject = 120
)

// line makes text from calendars, boxes and errors one printable line of at most most characters: no line breaks, nothing
// that ends a header (RFC 5322 2.2), hides or turns round what follows (Unicode, directional formatting), and nothing
// that a mail reader takes for an encoded word (RFC 2047 2).
func line(s string, most int) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case r == utf8.RuneError, unicode.IsControl(r), unicode.In(r, unicode.Bidi_Control, unicode.Cs):
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, ""))
	s = strings.ReplaceAll(strings.Join(strings.Fields(s), " "), "=?", "= ?")
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	return strings.TrimSpace(string([]rune(s)[:most-1])) + "…"
}
