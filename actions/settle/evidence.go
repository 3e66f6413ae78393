package settle

import (
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/meter"
)

// A Source is something that a settlement was made from, as it was read.
type Source struct {
	Name   string
	SHA256 string    // of its bytes, hex; "" where it is no file
	Read   time.Time // when; zero where that does not matter
}

// A Received is the calendar event of a window as it was received.
type Received struct {
	Source              // the feed, with the hash of the whole copy
	Text      []byte    // the event's components, byte for byte; nil where the feed no longer has it
	FirstSeen time.Time // when the journal first knew the window; zero where it does not
	Hash      string    // of what the journal remembers of it; "" where it does not
}

// A Case is what a dispute about one window needs.
type Case struct {
	Result  Result
	Zone    *time.Location
	Meter   *meter.Series
	Event   Received
	Sources []Source               // meter files, feeds of holidays
	Log     []actions.StepStanding // of the window
	Made    time.Time
}

// A Document is one file of evidence.
type Document struct {
	Name string
	Text []byte
}

// Documents writes the case down: a statement for people, the figures for programs, and the hash of each file. The same
// case gives the same bytes.
func (c *Case) Documents() []Document {
	body, err := json.MarshalIndent(c.Result, "", "  ")
	if err != nil { // the fields are numbers and texts of our own
		body = []byte(err.Error())
	}
	docs := []Document{
		{"statement.txt", []byte(c.statement())},
		{"settlement.json", append(body, '\n')},
		{"intervals.csv", []byte(CSV([]Result{c.Result}, c.Zone))},
		{"days.csv", c.days()},
		{"meter.csv", c.rows()},
		{"switching.csv", c.switching()},
	}
	if len(c.Event.Text) > 0 {
		docs = append(docs, Document{"event.ics", c.Event.Text})
	}
	var sums strings.Builder
	for _, d := range docs {
		sum := sha256.Sum256(d.Text)
		fmt.Fprintf(&sums, "%s  %s\n", hex.EncodeToString(sum[:]), d.Name)
	}
	return append(docs, Document{"SHA256SUMS", []byte(sums.String())})
}

// csvOf writes rows with a header's columns (RFC 4180).
func csvOf(rows [][]string) []byte {
	var b strings.Builder
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	_ = w.WriteAll(rows) // a Builder never fails
	return []byte(b.String())
}

// days lists the days that the search looked at, with what they used in each interval of the window.
func (c *Case) days() []byte {
	head := []string{"date", "weekday", "used", "why", "kwh"}
	for _, s := range c.Result.Slots {
		head = append(head, "kwh "+s.Start.In(c.Zone).Format("15:04"))
	}
	rows := [][]string{head}
	for _, d := range c.Result.Considered {
		row := []string{d.Date.String(), d.Date.Weekday().String(), yes(d.Used), harmless(d.Why), cell(d.KWh)}
		for i := range c.Result.Slots {
			if i < len(d.Slots) {
				row = append(row, cell(d.Slots[i]))
			} else {
				row = append(row, "")
			}
		}
		rows = append(rows, row)
	}
	return csvOf(rows)
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// span returns the stretch of meter data that the settlement looked at: whole local days, from the first day considered, or
// the first stretch compared, to the window's last.
func (c *Case) span() (from, to int64) {
	first := DateOf(c.Result.Window.Start, c.Zone)
	for _, d := range c.Result.Considered {
		first = min(first, d.Date)
	}
	if a := c.Result.Adjustment; a != nil {
		first = min(first, DateOf(a.From, c.Zone))
	}
	if t := c.Result.Terms; t != nil && t.SameDay != nil {
		first = min(first, DateOf(c.Result.Window.Start.Add(-t.SameDay.BeforeFrom), c.Zone))
	}
	last, _ := local(c.Result.Window.End.Unix()-1, c.Zone)
	if t := c.Result.Terms; t != nil && t.SameDay != nil {
		last = max(last, DateOf(c.Result.Window.End.Add(t.SameDay.AfterTo), c.Zone))
	}
	return first.begin(c.Zone), (last + 1).begin(c.Zone)
}

// rows lists the meter data that the settlement looked at, gaps included.
func (c *Case) rows() []byte {
	rows := [][]string{{"start", "end", "local start", "kwh", "estimated", "gap"}}
	from, to := c.span()
	for _, m := range c.Meter.Cells(from, to) {
		start := time.Unix(m.From, 0).UTC()
		row := []string{utc(start), utc(time.Unix(m.To, 0)), start.In(c.Zone).Format("2006-01-02 15:04 MST"), "", "", m.Why}
		if m.Why == "" {
			row[3], row[4] = cell(kwh(c.Meter.Energy(m.From, m.To))), yes(m.Estimated)
		}
		rows = append(rows, row)
	}
	return csvOf(rows)
}

// switching lists what was done for the window.
func (c *Case) switching() []byte {
	rows := [][]string{{"due", "sent", "settled", "phase", "point", "value", "read back", "state", "tries", "note", "step"}}
	at := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return utc(t)
	}
	for _, l := range c.Log {
		rows = append(rows, []string{at(l.Step.At), at(l.Sent), at(l.Settled), string(l.Step.Phase), l.Step.Point.String(),
			harmless(l.Step.Value.String()), harmless(l.ReadBack.String()), string(l.State), fmt.Sprint(l.Tries), harmless(l.Note), l.Step.ID})
	}
	return csvOf(rows)
}
