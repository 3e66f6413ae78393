package config

import (
	"net/url"
	"strings"
	"time"

	"spillway/actions/statement"
)

// feeds reads every feed, by name.
func (l *loader) feeds(top section) []Feed {
	var all []Feed
	top.each("feeds", func(name string, s section) {
		f := Feed{
			Name:       name,
			URL:        s.feedURL(),
			Poll:       s.duration("poll", time.Second),
			User:       s.text("user"),
			Password:   s.secret("password"),
			Token:      s.secret("token"),
			CAFile:     s.certificates("ca_file"),
			StaleAfter: s.duration("stale_after", time.Second),
			Statements: s.truth("statements"),
			Tentative:  s.truth("tentative"),
			MaxPerDay:  s.count("max_per_day", 1, 1000),
			MaxBody:    s.size("max_body"),
		}
		s.who(&f)
		s.feedSecrets(&f)
		all = append(all, f)
	})
	return all
}

// who reads which procedures a feed may call, and whose events count.
func (s section) who(f *Feed) {
	names, nodes := s.list("procedures")
	for i, n := range names {
		s.known(nodes[i], join(s.path, "procedures"), "procedure", n, s.l.all.procedures)
	}
	f.Procedures = names
	if n := s.node("procedures"); n != nil && n.shape == array && len(n.items) == 0 {
		s.fail("procedures", "is empty: leave it out for all, or name those that this feed may call")
	}
	organizers, nodes := s.list("organizers")
	for i, o := range organizers {
		address := strings.TrimPrefix(strings.ToLower(strings.TrimSpace(o)), "mailto:")
		if !strings.Contains(address, "@") || strings.Contains(address, " ") {
			s.failAt(nodes[i], join(s.path, "organizers"), "is no mail address")
		}
		f.Organizers = append(f.Organizers, address)
	}
	if n := s.node("organizers"); n != nil && n.shape == array && len(n.items) == 0 {
		s.fail("organizers", "is empty: leave it out for anybody's events, or name whose count")
	}
}

func (s section) feedSecrets(f *Feed) {
	switch {
	case f.Password != "" && f.Token != "":
		s.fail("token_file", "and a password: one of the two")
	case f.Password != "" && f.User == "":
		s.fail("user", "is missing: a password belongs to a user")
	}
	if plain := strings.HasPrefix(f.URL, "http:") || strings.HasPrefix(f.URL, "caldav:"); plain && (f.Password != "" || f.Token != "") {
		s.note("url", "sends its password without TLS: anyone on the way can read it")
	}
}

// feedURL reads where a feed is: an address, or the path of a file or folder, which becomes absolute.
func (s section) feedURL() string {
	u := s.url("url")
	if u == nil {
		return ""
	}
	switch strings.ToLower(u.Scheme) {
	case "http", "https", "webcal", "webcals", "caldav", "caldavs":
		if u.Hostname() == "" {
			s.fail("url", "names no host: write for instance https://calendar.example/house.ics")
		}
		return u.String()
	case "file":
		return s.fileURL(u)
	case "":
		return s.l.path(s.text("url"))
	}
	s.fail("url", "is no feed: write http(s)://, webcal(s)://, caldav(s)://, file:// or the path of a file or folder")
	return ""
}

// fileURL turns file:///x and file:x into x (RFC 8089).
func (s section) fileURL(u *url.URL) string {
	if u.Host != "" && u.Host != "localhost" {
		s.fail("url", "names a host: a file url has three strokes, file:///path")
		return ""
	}
	p := u.Path
	if p == "" {
		p, _ = url.PathUnescape(u.Opaque)
	}
	if p == "" {
		s.fail("url", "names no file")
		return ""
	}
	return s.l.path(p)
}

// size reads a number of bytes.
func (s section) size(name string) int64 {
	x, ok := s.quantity(name, "B")
	if ok && (x < 1000 || x > 1e9) {
		s.fail(name, "is out of bounds: %s to %s", statement.Quantity{Number: 1, Unit: "kB"}, statement.Quantity{Number: 1, Unit: "GB"})
	}
	return int64(x)
}
