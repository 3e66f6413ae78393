package mqtt

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"spillway/actions"
	"spillway/actions/link"
)

// A reading is the newest that was heard of one point.
type reading struct {
	decode *link.Decoder
	topic  string
	heard  bool
	value  actions.Value
	err    error
}

// readings are what is heard of the points, by point and by topic. The caller guards them.
type readings struct {
	byPoint map[actions.Ref]*reading
	byTopic map[string][]*reading
}

// newReadings checks the addresses of the points.
func newReadings(points []*actions.Point) (*readings, error) {
	r := &readings{byPoint: map[actions.Ref]*reading{}, byTopic: map[string][]*reading{}}
	for _, p := range points {
		if err := checkPoint(p); err != nil {
			return nil, err
		}
		if p.Read == nil {
			continue
		}
		d, err := link.NewDecoder(p, p.Read.Pick)
		if err != nil {
			return nil, err
		}
		one := &reading{decode: d, topic: p.Read.Topic}
		r.byPoint[p.Ref] = one
		r.byTopic[one.topic] = append(r.byTopic[one.topic], one)
	}
	return r, nil
}

// topics returns what is to be subscribed to, sorted.
func (r *readings) topics() []string {
	var all []string
	for t := range r.byTopic {
		all = append(all, t)
	}
	slices.Sort(all)
	return all
}

// forget drops what was heard: the conversation is over.
func (r *readings) forget() {
	for _, one := range r.byPoint {
		one.heard, one.value, one.err = false, actions.Value{}, nil
	}
}

// hear takes a message. JSON is parsed once for all points that pick from it.
func (r *readings) hear(topic string, payload []byte) {
	var doc any
	var parsed, broken bool
	for _, one := range r.byTopic[topic] {
		one.heard = true
		if !one.decode.Picks() {
			one.value, one.err = one.decode.Decode(payload)
			continue
		}
		if !parsed {
			parsed, broken = true, json.Unmarshal(payload, &doc) != nil
		}
		if broken {
			one.value, one.err = one.decode.Decode(payload) // for its error
			continue
		}
		one.value, one.err = one.decode.Document(doc)
	}
}

// passedOver notes a message that was too long to read.
func (r *readings) passedOver(topic string, length int) {
	for _, one := range r.byTopic[topic] {
		one.heard, one.value = true, actions.Value{}
		one.err = &link.Error{Class: link.Rubbish, What: fmt.Sprintf("a message of %d bytes on %s; %d are allowed", length, topic, largest)}
	}
}

func checkPoint(p *actions.Point) error {
	if p.Write != nil {
		if err := checkTopic(p, "write", p.Write.Topic); err != nil {
			return err
		}
		if p.Write.QoS > 2 {
			return bad(p, "write: qos is 0, 1 or 2, not %d", p.Write.QoS)
		}
	}
	if p.Read == nil {
		return nil
	}
	if err := checkTopic(p, "read", p.Read.Topic); err != nil {
		return err
	}
	if strings.HasPrefix(p.Read.Topic, "$share/") {
		return bad(p, "read: %q is a shared subscription, which hears only some of the messages", p.Read.Topic)
	}
	if p.Write != nil && p.Write.Topic == p.Read.Topic {
		return bad(p, "write and read are both %q: what is heard there would be the command itself", p.Read.Topic)
	}
	return nil
}

// checkTopic follows MQTT 5.0, 4.7.3.
func checkTopic(p *actions.Point, key, topic string) error {
	switch {
	case topic == "":
		return bad(p, "%s: the topic is missing", key)
	case strings.ContainsAny(topic, "+#"):
		return bad(p, "%s: the topic %q has a wildcard; give each point a topic of its own", key, topic)
	case len(topic) > 65535 || !utf8.ValidString(topic) || strings.Contains(topic, "\x00"):
		return bad(p, "%s: %s is no topic", key, link.Sample([]byte(topic)))
	}
	return nil
}

func bad(p *actions.Point, format string, args ...any) error {
	return &link.Error{Class: link.Impossible, What: fmt.Sprintf("%s: ", p.Ref) + fmt.Sprintf(format, args...)}
}
