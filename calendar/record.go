package calendar

import (
	"bytes"
	"hash/maphash"
	"strconv"

	"spillway/calendar/civil"
	"spillway/calendar/scan"
)

// A record is what is kept of every event of the body, also of those that cannot touch the range: newer revisions take
// the place of older ones wherever they lie.
type record struct {
	text      []byte
	uid       []byte // as written
	sequence  int64
	stamp     int64      // DTSTAMP; farPast where absent
	moved     civil.Wall // RECURRENCE-ID as written
	line      int32
	calendar  int32
	before    int32 // the record before of the same UID; -1: none
	last      bool  // no later record has its UID
	override  bool  // it has a RECURRENCE-ID
	future    bool  // with RANGE
	cancelled bool  // STATUS:CANCELLED
	hasStart  bool
	touches   bool // its own times may fall into the range
}

// slack is more than any offset plus any clock change, in seconds: walls and instants differ by less.
const slack = 26 * 3600

// Event keeps an event, and decides with the least effort whether it can touch the range.
func (r *reader) Event(e *scan.Event) {
	uid := value(e.UID)
	if e.Fault != "" {
		r.problem(e.Line, scan.Text(uid), "the event is left out: "+e.Fault)
		return
	}
	rec := record{text: e.Text, uid: uid, stamp: farPast, line: int32(e.Line), calendar: int32(e.Calendar), before: -1, last: true,
		override: e.RecurrenceID != nil, hasStart: e.Start != nil, cancelled: bytes.EqualFold(value(e.Status), []byte("CANCELLED"))}
	if !rec.hasStart && !rec.override && !r.isCancelled(&rec) {
		r.problem(e.Line, "", "an event without DTSTART is left out")
		return
	}
	if v, err := civil.Parse(value(e.Stamp)); err == nil {
		rec.stamp = int64(v.Wall)
	}
	rec.sequence, _ = strconv.ParseInt(string(value(e.Sequence)), 10, 64)
	rec.touches = r.touches(e)
	if rec.override {
		v, err := civil.Parse(value(e.RecurrenceID))
		rec.moved, rec.future = v.Wall, bytes.Contains(bytes.ToUpper(e.RecurrenceID), []byte("RANGE"))
		if err != nil {
			rec.touches = true
		}
	}
	if len(uid) > 0 { // without a UID, an event is one of its own
		h := maphash.Bytes(r.seed, uid)
		if prev, ok := r.heads[h]; ok && bytes.Equal(r.records[prev].uid, uid) {
			rec.before = prev
			r.records[prev].last = false
		}
		r.heads[h] = int32(len(r.records))
	}
	r.records = append(r.records, rec)
}

// value returns the raw value of a logical line, without blanks around it.
func value(raw []byte) []byte {
	if bytes.IndexByte(raw, '\n') >= 0 {
		raw = scan.Unfold(raw)
	}
	i := bytes.IndexByte(raw, ':')
	if head := raw[:max(i, 0)]; bytes.IndexByte(head, ';') >= 0 { // only dates have parameters that matter here
		i = bytes.LastIndexByte(raw, ':')
	}
	return bytes.TrimSpace(raw[i+1:])
}

// touches reports whether an event's own times may fall into the range. In doubt they may.
func (r *reader) touches(e *scan.Event) bool {
	start, err := civil.Parse(value(e.Start))
	if err != nil || e.More {
		return true
	}
	if int64(start.Wall) >= r.to+slack {
		return false
	}
	length := int64(0)
	if start.Form == civil.DateOnly {
		length = civil.SecondsPerDay
	}
	if e.End != nil {
		end, err := civil.Parse(value(e.End))
		if err != nil || end.Wall < start.Wall-slack {
			return true
		}
		length = max(length, int64(end.Wall-start.Wall))
	} else if e.Duration != nil {
		d, err := civil.ParseDuration(value(e.Duration))
		if err != nil {
			return true
		}
		length = max(length, d.Days*civil.SecondsPerDay+int64(d.Exact.Seconds()))
	}
	last := int64(start.Wall)
	if e.Rule != nil {
		last = lastStart(e.Rule)
	}
	return last+length+2*slack >= r.from
}

// lastStart returns a wall after which a rule yields nothing, by its UNTIL.
func lastStart(raw []byte) int64 {
	v := bytes.ToUpper(value(raw))
	i := bytes.Index(v, []byte("UNTIL="))
	if i < 0 {
		return farFuture
	}
	v, _, _ = bytes.Cut(v[i+len("UNTIL="):], []byte{';'})
	until, err := civil.Parse(bytes.TrimSpace(v))
	if err != nil {
		return farFuture
	}
	return int64(until.Wall) + civil.SecondsPerDay
}
