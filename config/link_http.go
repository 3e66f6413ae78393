package config

import (
	"net/url"
	"slices"
	"strings"

	"spillway/actions"
)

func httpKind() linkKind {
	return linkKind{
		protocol: "http",
		schemes:  []string{"http", "https"},
		forms:    []string{"http(s)://"},
		such:     `"path" or { path = "…" }`,
		url: func(s section, u *url.URL) {
			s.host(u, "http://host/base/")
			if u.RawQuery != "" || u.Fragment != "" {
				s.fail("url", "is the base of all paths and has no ? or #: write those in the points' paths")
			}
		},
		text: func(s section, name, v string, a *actions.Address) {
			a.Path, a.Method = v, "GET"
			if name == "write" {
				a.Method = "PUT"
			}
			s.relative(name, v)
		},
		table: func(s section, _ string, _ *actions.Point, a *actions.Address) {
			a.Path, a.Body = s.required("path"), s.text("body")
			a.Method = s.choice("method", "GET", "PUT", "POST", "PATCH", "DELETE")
			a.Headers = s.headers("headers")
			s.relative("path", a.Path)
		},
		tells: requestTells,
	}
}

func requestTells(a *actions.Address) bool {
	bare := a.Body == "" && a.Method != "GET" && a.Method != "DELETE"
	told := bare || strings.Contains(a.Body+a.Path, valueMark)
	for _, v := range a.Headers {
		told = told || strings.Contains(v, valueMark)
	}
	return told
}

// relative checks a path that is to stay below the link's url.
func (s section) relative(name, v string) {
	if v == "" {
		return
	}
	u, err := url.Parse(strings.ReplaceAll(v, valueMark, "0"))
	switch {
	case err != nil:
		s.fail(name, "is no path")
	case u.Scheme != "" || u.Host != "":
		s.fail(name, "is a path below the link's url, without a host")
	case slices.Contains(strings.Split(u.Path, "/"), ".."):
		s.fail(name, "leads out of the link's url with ..")
	}
}

// headers reads a table of header fields. Their names are tokens and their values one line (RFC 9110 5.1, 5.5).
func (s section) headers(name string) map[string]string {
	n := s.get(name)
	if n == nil {
		return nil
	}
	if n.shape != table {
		s.fail(name, "is a table%s", s.such(name))
		return nil
	}
	all := map[string]string{}
	for _, kid := range n.keys {
		v, ok := kid.string()
		if !ok || strings.ContainsAny(v, "\r\n\x00") || !isToken(kid.key) {
			s.failAt(kid, join(join(s.path, name), kid.key), "is no header: a name of letters and hyphens, and one line of text")
			continue
		}
		if strings.EqualFold(kid.key, "authorization") || strings.EqualFold(kid.key, "cookie") {
			s.l.fault(kid, join(join(s.path, name), kid.key), "", "a secret does not stand in this file: use user and password_file, or token_file")
			continue
		}
		all[kid.key] = v
	}
	return all
}

func isToken(s string) bool {
	return s != "" && strings.IndexFunc(s, func(r rune) bool {
		return r > 'z' || r < '0' && r != '-' || r > '9' && r < 'A' || r > 'Z' && r < 'a' && r != '_'
	}) < 0
}
