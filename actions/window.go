package actions

import (
	"crypto/sha256"
	"encoding/base32"
	"strings"
	"time"
)

// A Window is one occurrence of a calendar event that a procedure matches: Start inclusive, End exclusive, both UTC.
type Window struct {
	ID           string    // from UID and RecurrenceID, see [WindowID]
	UID          string    // of the event
	RecurrenceID time.Time // the occurrence's original start; zero for an event that does not recur
	Feed         string
	Procedure    string
	Title        string
	Start, End   time.Time
	Priority     int         // RFC 5545 3.8.1.9: 1 highest, 9 lowest, 0 absent (lowest of all)
	SkipDevices  []string    // devices the event's description leaves out
	Extra        []Statement // during-statements from the event's description, on open points
	Notes        []string    // to be shown as problems, such as a second procedure that matched, or a clock change inside
}

// WindowID returns the id of the window made from an event: the same for the same uid and recurrence-id, whatever else
// of the event changes. It is ten characters, safe in paths, UIDs and topics.
func WindowID(uid string, recurrenceID time.Time) string {
	key := uid + "\x00"
	if !recurrenceID.IsZero() {
		key += recurrenceID.UTC().Format(time.RFC3339)
	}
	sum := sha256.Sum256([]byte(key))
	return strings.ToLower(base32.StdEncoding.EncodeToString(sum[:])[:10])
}

// A WindowState follows OpenADR's event status.
type WindowState string

// The states of a window: before its first lead-in step, from then to its start, inside it, after it, and called off.
const (
	Far       WindowState = "far"
	Near      WindowState = "near"
	Active    WindowState = "active"
	Completed WindowState = "completed"
	Cancelled WindowState = "cancelled"
)

// Better reports whether PRIORITY a beats b (RFC 5545 3.8.1.9; absent is lowest).
func Better(a, b int) bool {
	if a == 0 {
		return false
	}
	return b == 0 || a < b
}
