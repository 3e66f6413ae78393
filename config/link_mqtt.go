package config

import (
	"net/url"
	"strings"

	"spillway/actions"
)

func mqttKind() linkKind {
	return linkKind{
		protocol: "mqtt",
		schemes:  []string{"mqtt", "mqtts"},
		forms:    []string{"mqtt(s)://"},
		such:     `"topic" or { topic = "…" }`,
		url: func(s section, u *url.URL) {
			if s.host(u, "mqtt://host:1883") && strings.Trim(u.Path, "/") != "" {
				s.fail("url", "has a path: topics belong to the points")
			}
		},
		text: func(s section, name, v string, a *actions.Address) {
			a.Topic, a.QoS = v, 1
			s.topic(name, v)
		},
		table: func(s section, _ string, _ *actions.Point, a *actions.Address) {
			a.Topic, a.Body = s.required("topic"), s.text("body")
			a.Retain, a.QoS = s.truth("retain"), byte(s.count("qos", 0, 2))
			s.topic("topic", a.Topic)
		},
		tells: func(a *actions.Address) bool { return a.Body == "" || strings.Contains(a.Body, valueMark) },
	}
}

// topic checks a topic that is published or subscribed to: no wildcards, no NUL, at most 65,535 bytes (MQTT 5.0 4.7.3).
func (s section) topic(name, v string) {
	switch {
	case v == "":
	case strings.ContainsAny(v, "+#"):
		s.fail(name, "has a wildcard: write one whole topic")
	case len(v) > 65535:
		s.fail(name, "is too long for a topic")
	case strings.HasPrefix(v, "$"):
		s.fail(name, "belongs to the broker: topics with $ in front are not for devices")
	}
}
