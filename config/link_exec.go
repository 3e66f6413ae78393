package config

import (
	"net/url"
	"strings"

	"spillway/actions"
)

func execKind() linkKind {
	return linkKind{
		protocol: "exec",
		schemes:  []string{"exec"},
		forms:    []string{"exec:"},
		such:     `["program", "argument"]`,
		url: func(s section, u *url.URL) {
			if u.Opaque != "" || u.Host != "" || u.Path != "" {
				s.fail("url", "is exec: and nothing more; the program stands in the points' write and read")
			}
		},
		text: func(s section, name, v string, a *actions.Address) {
			a.Args = strings.Fields(v)
			if len(a.Args) > 1 {
				s.fail(name, "is one word or a list: write [\"program\", \"argument\"], there is no shell to cut it up")
			}
			s.args(name, a)
		},
		list: func(s section, name string, a *actions.Address) {
			a.Args, _ = s.list(name)
			s.args(name, a)
		},
		table: func(s section, _ string, _ *actions.Point, a *actions.Address) {
			a.Args, _ = s.list("args")
			s.args("args", a)
		},
		tells: func(a *actions.Address) bool {
			return len(a.Args) == 0 || strings.Contains(strings.Join(a.Args, " "), valueMark)
		},
		stranger: func(*actions.Link, *url.URL) (who, cure string) { return "", "" },
	}
}

func (s section) args(name string, a *actions.Address) {
	if len(a.Args) == 0 {
		s.fail(name, "names no program: write [\"program\", \"argument\"]")
		return
	}
	if strings.Contains(a.Args[0], valueMark) {
		s.fail(name, "has the value in the program's name")
	}
}

// environment reads the variables that a program sees, as a list of NAME=value or as a table.
func (s section) environment(name string) []string {
	n := s.get(name)
	if n == nil {
		return nil
	}
	if n.shape == table {
		var all []string
		for _, kid := range n.keys {
			v, ok := kid.string()
			if !ok || !isToken(kid.key) {
				s.failAt(kid, join(join(s.path, name), kid.key), "is no variable: a name, and text between quotes")
			}
			all = append(all, kid.key+"="+v)
		}
		return all
	}
	all, nodes := s.list(name)
	for i, v := range all {
		if key, _, ok := strings.Cut(v, "="); !ok || !isToken(key) {
			s.failAt(nodes[i], join(s.path, name), "is no variable: write NAME=value")
		}
	}
	return all
}
