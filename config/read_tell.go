package config

import (
	"net/mail"
	"slices"
	"strings"

	"spillway/actions"
)

// FaultKinds returns the kinds of fault that someone can be told of, the gravest first.
func FaultKinds() []string {
	return []string{"clock", "journal", "restore", "point", "link", "feed", "plan", "hygiene", "credit"}
}

// tell reads who is told of faults, by name.
func (l *loader) tell(top section, p *actions.Premises) []Tell {
	var all []Tell
	top.each("tell", func(name string, s section) {
		t := Tell{
			Name:     name,
			User:     s.text("user"),
			Password: s.secret("password"),
			Token:    s.secret("token"),
			CAFile:   s.certificates("ca_file"),
			Faults:   s.faultKinds(),
			After:    s.duration("after", 0),
			Windows:  s.truth("windows"),
		}
		switch {
		case s.given("link") && s.given("url"):
			s.fail("link", "and a url: one of the two")
		case s.given("link"):
			s.tellLink(&t, p)
		case s.given("url"):
			s.tellURL(&t)
		default:
			s.fail("url", "is missing: write the url of a webhook or mail server, or an MQTT link and topic")
		}
		if t.By != "" {
			s.tellKeys(&t)
		}
		all = append(all, t)
	})
	for i := range p.Devices {
		if d := &p.Devices[i]; d.Hygiene.Every > 0 && len(all) == 0 {
			top.note("devices."+d.Name+".hygiene", "nobody is told when it is overdue: write [tell.NAME]")
		}
	}
	return all
}

func (s section) faultKinds() []string {
	list, nodes := s.list("faults")
	for i, kind := range list {
		if !slices.Contains(FaultKinds(), kind) {
			s.failAt(nodes[i], join(s.path, "faults"), "%q is none of %s%s", kind, strings.Join(FaultKinds(), ", "), meant(kind, FaultKinds()))
		}
	}
	if n := s.node("faults"); n != nil && n.shape == array && len(n.items) == 0 {
		s.fail("faults", "is empty: leave it out for all, or take the table out")
	}
	return list
}

func (s section) tellLink(t *Tell, p *actions.Premises) {
	t.Link = s.text("link")
	if !s.known(s.node("link"), join(s.path, "link"), "link", t.Link, s.l.all.links) {
		return
	}
	if link := p.Link(t.Link); link != nil && link.Protocol != "" && link.Protocol != "mqtt" {
		s.fail("link", "is no MQTT link")
		return
	}
	t.By = "mqtt"
}

func (s section) tellURL(t *Tell) {
	u := s.url("url")
	if u == nil {
		return
	}
	t.URL = u.String()
	switch u.Scheme {
	case "http", "https":
		t.By = "webhook"
	case "smtp", "smtps":
		t.By = "mail"
		s.noPath(u.Path)
	case "mqtt", "mqtts":
		t.By = "mqtt"
		s.noPath(u.Path)
	default:
		s.fail("url", "is neither a webhook (http, https) nor a mail server (smtp, smtps) nor a broker (mqtt, mqtts)")
		return
	}
	s.host(u, map[string]string{"webhook": "https://hook.example/spillway", "mail": "smtps://mail.example:465", "mqtt": "mqtt://host:1883"}[t.By])
	open := u.Scheme == "http" || u.Scheme == "mqtt" // to a mail server the password goes over TLS alone
	if open && !loopback(u.Hostname()) && (t.Password != "" || t.Token != "") {
		s.note("url", "sends its password without TLS: anyone on the way can read it")
	}
}

func (s section) noPath(path string) {
	if strings.Trim(path, "/") != "" {
		s.fail("url", "has a path, which means nothing here")
	}
}

// tellKeys reads and checks the keys that belong to some ways of telling only.
func (s section) tellKeys(t *Tell) {
	for _, name := range s.names() {
		if k := s.l.keys.at(splitPath(join(s.path, name))); k != nil && k.key != nil && !k.key.belongs(t.By) {
			s.fail(name, "is no key of a %s: it belongs to %s", map[string]string{"mail": "mail server", "mqtt": "broker"}[t.By]+
				map[bool]string{true: "webhook"}[t.By == "webhook"], k.key.only)
		}
	}
	switch {
	case t.Link != "" && (t.User != "" || t.Password != "" || t.CAFile != ""):
		s.fail("link", "brings its own user, password and certificates: leave those out")
	case t.Password != "" && t.Token != "":
		s.fail("token_file", "and a password: one of the two")
	case t.Password != "" && t.User == "":
		s.fail("user", "is missing: a password belongs to a user")
	case t.User != "" && t.Password == "":
		s.fail("password_file", "is missing: a user has a password")
	}
	switch t.By {
	case "mail":
		t.From = s.mailAddress("from", s.node("from"), s.required("from"))
		to, nodes := s.list("to")
		for i, a := range to {
			t.To = append(t.To, s.mailAddress("to", nodes[i], a))
		}
		if len(to) == 0 {
			s.fail("to", "is missing: write the receivers' addresses, [\"ada@house.example\"]")
		}
	case "mqtt":
		t.Topic = s.required("topic")
		s.topic("topic", t.Topic)
	}
}

// mailAddress reads one mail address (RFC 5322 3.4), with or without a name before it.
func (s section) mailAddress(name string, n *node, text string) string {
	if text == "" {
		return ""
	}
	a, err := mail.ParseAddress(text)
	if err != nil || strings.ContainsAny(text, "\r\n") {
		s.failAt(n, join(s.path, name), "is no mail address: write for instance \"ada@house.example\"")
		return ""
	}
	return a.String()
}
