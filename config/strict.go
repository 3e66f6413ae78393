package config

import (
	"fmt"
	"strings"
)

// A sieve holds trees against the table of keys. What does not pass is dropped from the tree, with a fault.
type sieve struct {
	keys    *keyTree
	all     []key
	faults  []Fault
	notices []Notice
}

func (s *sieve) fault(n *node, path, value, format string, args ...any) {
	s.faults = append(s.faults, faultAt(n, path, value, fmt.Sprintf(format, args...)))
}

func faultAt(n *node, path, value, what string) Fault {
	return Fault{File: n.file, Line: n.line, Col: n.col, Var: n.name, Key: path, Value: value, What: what}
}

// table checks every key of n, which stands at path and for which t says what may stand there.
func (s *sieve) table(n *node, t *keyTree, path string) {
	for _, kid := range append([]*node(nil), n.keys...) {
		if !s.passes(kid, t, join(path, kid.key)) {
			n.drop(kid)
		}
	}
}

func join(path, key string) string {
	if path == "" || key == "" {
		return path + key
	}
	return path + "." + key
}

func (s *sieve) passes(n *node, t *keyTree, path string) bool {
	next, named := t.step(n.key)
	switch {
	case named && !isName(n.key):
		s.badName(n, path)
		return false
	case next == nil:
		s.unknown(n, t, path)
		return false
	case next.key != nil && next.key.secret && n.name == "":
		s.fault(n, path, "", "a secret does not stand in this file: %s", secretCure(path))
		return false
	}
	switch n.shape {
	case table:
		return s.asTable(n, next, path)
	case array:
		return s.asArray(n, next, path)
	}
	if next.key == nil {
		s.fault(n, path, n.shown(), "is a table and no value: write [%s] and its keys below%s", path, below(next))
		return false
	}
	return true
}

func (s *sieve) asTable(n *node, t *keyTree, path string) bool {
	if t.branch() {
		s.table(n, t, path)
		return true
	}
	if t.key.form == free || t.key.form == either {
		return true
	}
	s.fault(n, path, "", "is a value and no table: write %s = %s", n.key, t.key.sample())
	return false
}

func (s *sieve) asArray(n *node, t *keyTree, path string) bool {
	if t.key == nil {
		s.fault(n, path, "", "stands once and is no list: write [%s]", path)
		return false
	}
	for _, item := range n.items {
		if item.shape == table && t.branch() {
			s.table(item, t, path)
		}
	}
	return true
}

func splitPath(path string) []string { return strings.Split(path, ".") }

// unknown complains of a key that there is not. Its value is not shown: it may be a secret under a misspelled name.
func (s *sieve) unknown(n *node, t *keyTree, path string) {
	known := t.names()
	switch near := nearest(n.key, known); {
	case strings.EqualFold(near, n.key) && near != "":
		s.fault(n, path, "", "keys are lower case: write %s", near)
	case near != "":
		s.fault(n, path, "", "there is no such key; did you mean %s?", near)
	default:
		s.fault(n, path, "", "there is no such key%s", s.elsewhere(n.key, known))
	}
}

// elsewhere says where a key that does not belong here would belong, or else what does belong here.
func (s *sieve) elsewhere(name string, known []string) string {
	var homes []string
	for _, k := range s.all {
		if i := strings.LastIndexByte(k.path, '.'); i > 0 && k.path[i+1:] == name {
			homes = append(homes, "["+strings.ReplaceAll(k.path[:i], "*", "NAME")+"]")
		} else if k.path == name {
			homes = append(homes, "the top of the file, before the first table")
		}
	}
	if len(homes) > 0 && len(homes) <= 3 {
		return "; it belongs to " + strings.Join(homes, " or ")
	}
	if len(known) == 0 {
		return ""
	}
	return ": " + strings.Join(known, ", ")
}

func below(t *keyTree) string {
	if names := t.names(); len(names) > 0 {
		return ": " + strings.Join(names, ", ")
	}
	return ""
}

func (s *sieve) badName(n *node, path string) {
	cure := "lower case letters, digits and single underscores, a letter first"
	if name := asName(n.key); name != "" {
		cure = "write " + name
	}
	s.fault(n, path, "", "%q is no name: names are lower case with underscores; %s", n.key, cure)
}

// secretCure says where a secret may come from.
func secretCure(path string) string {
	return fmt.Sprintf("write %s_file with the name of a file, or set %s", path[strings.LastIndexByte(path, '.')+1:], variable(path))
}

// variable returns the name of the environment variable for a key.
func variable(path string) string {
	return prefix + strings.ToUpper(strings.ReplaceAll(path, ".", "__"))
}
