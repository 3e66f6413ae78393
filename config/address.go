package config

import (
	"strings"

	"github.com/theory/jsonpath"

	"spillway/actions"
)

// valueMark is where the value belongs in what is sent.
const valueMark = "{value}"

// addresses reads write and read of a point by its link's protocol. Where one is written and wrong, an empty address
// stands for it, so that statements on the point are no second fault.
func (s section) addresses(link *actions.Link, p *actions.Point) (write, read *actions.Address) {
	kind := kindOf(link.Protocol) // nil for a link that is faulty itself
	if s.given("write") {
		write = &actions.Address{}
		s.address("write", kind, p, write)
		s.carries(kind, write)
		if t, isTable := s.sub("write"); isTable {
			t.lasts(link, p, write)
		}
	}
	if s.given("read") {
		read = &actions.Address{}
		s.address("read", kind, p, read)
	}
	if kind != nil && kind.point != nil {
		return kind.point(s, p, write, read)
	}
	return write, read
}

func (s section) address(name string, kind *linkKind, p *actions.Point, a *actions.Address) {
	t, isTable := s.sub(name)
	switch {
	case kind == nil:
	case isTable:
		t.table(name, kind, p, a)
	case s.node(name).shape != array:
		kind.text(s, name, s.text(name), a)
	case kind.list == nil:
		s.fail(name, "is no list on %s links: %s", kind.protocol, kind.proposal(name))
	default:
		kind.list(s, name, a)
	}
}

// table reads the long form of an address. s is the table of the address itself.
func (s section) table(name string, kind *linkKind, p *actions.Point, a *actions.Address) {
	good := true
	for _, key := range s.names() {
		t := s.l.keys.at(splitPath(join(s.path, key)))
		if t != nil && t.key != nil && !t.key.belongs(kind.protocol) {
			s.fail(key, "is no key of %s addresses: %s", kind.protocol, kind.proposal(name))
			good = false
		}
	}
	if !good {
		return
	}
	a.Pick = s.pick()
	kind.table(s, name, p, a)
}

// pick reads a JSONPath.
func (s section) pick() string {
	v := s.text("pick")
	if v == "" {
		return ""
	}
	if _, err := jsonpath.Parse(v); err != nil {
		s.fail("pick", "is no JSONPath (RFC 9535): %v", strings.TrimPrefix(err.Error(), "jsonpath: "))
	}
	return v
}

// carries complains of a command that says the same for every value.
func (s section) carries(kind *linkKind, a *actions.Address) {
	if kind != nil && kind.tells != nil && !kind.tells(a) {
		s.fail("write", "says the same for every value: put {value} where the value belongs")
	}
}
