package feed

import (
	"bytes"
	"fmt"

	"spillway/calendar"
)

// mostProblems bounds what is said of one folder or collection.
const mostProblems = 100

// A piece is one member as it was found now.
type piece struct {
	name  string
	stamp string
	body  []byte // nil where err is set
	err   error  // why it cannot be used
}

// A member is one piece of the last good copy.
type member struct {
	stamp string
	body  []byte
}

// assemble joins pieces, in their order, to one body; last and old are the copy in force and its members. A piece that
// cannot be used is replaced by its last good copy, if there is one, and reported either way. It fails where there are
// pieces and none can be used.
func assemble(last []byte, old map[string]member, pieces []piece) ([]byte, []Part, []calendar.Problem, error) {
	if len(pieces) == 0 {
		return sameOr(last, []byte(emptyCalendar)), nil, nil, nil
	}
	var (
		join     joiner
		problems []calendar.Problem
		first    piece
	)
	join.body.Grow(sizeOf(old, pieces))
	for _, p := range pieces {
		if p.err == nil {
			join.add(p.name, p.stamp, p.body)
			continue
		}
		if first.err == nil {
			first = p
		}
		what := "it is left out"
		if m, ok := old[p.name]; ok {
			what = "its last good copy stays in force"
			join.add(p.name, "", m.body)
		}
		if len(problems) < mostProblems {
			problems = append(problems, calendar.Problem{Where: p.name, What: oneLine(fmt.Sprintf("%v: %s", p.err, what))})
		}
	}
	if len(join.parts) == 0 {
		if len(pieces) == 1 {
			return nil, nil, nil, fault(first.err, "mend or remove it", "holds one calendar, %s, which cannot be used: %v", first.name, first.err)
		}
		return nil, nil, nil, fault(first.err, "mend or remove them", "holds %d calendars and none can be used; of %s it says: %v",
			len(pieces), first.name, first.err)
	}
	return sameOr(last, join.body.Bytes()), join.parts, problems, nil
}

// sizeOf is what the joined pieces come to, line ends that are added to them included.
func sizeOf(old map[string]member, pieces []piece) int {
	size := 0
	for _, p := range pieces {
		size += len("\r\n")
		if p.err == nil {
			size += len(p.body)
		} else {
			size += len(old[p.name].body)
		}
	}
	return size
}

// sameOr returns old where it equals body, so that what is unchanged is not held twice.
func sameOr(old, body []byte) []byte {
	if old != nil && bytes.Equal(old, body) {
		return old
	}
	return body
}

// A joiner makes one stream of calendars from several.
type joiner struct {
	body  bytes.Buffer
	parts []Part
	line  int
}

func (j *joiner) add(name, stamp string, body []byte) {
	// A mark in the midst of a stream would hide the BEGIN behind it.
	body = bytes.TrimPrefix(body, byteOrderMark)
	j.parts = append(j.parts, Part{Name: name, Start: j.body.Len(), Line: j.line + 1, Stamp: stamp})
	j.body.Write(body)
	j.line += bytes.Count(body, []byte("\n"))
	if !bytes.HasSuffix(body, []byte("\n")) {
		j.body.WriteString("\r\n")
		j.line++
	}
}

// members gives the parts of the copy by name.
func (s Saved) members() map[string]member {
	m := make(map[string]member, len(s.Parts))
	for i, p := range s.Parts {
		end := len(s.Body)
		if i+1 < len(s.Parts) {
			end = s.Parts[i+1].Start
		}
		m[p.Name] = member{stamp: p.Stamp, body: s.Body[p.Start:end]}
	}
	return m
}
