package config

import (
	"slices"
	"strings"
)

// prefix starts the name of every variable that is read.
const prefix = "SPILLWAY_"

// stray deals with a variable of our prefix that is no key and has no levels. One that is nearly a key is a fault; any
// other may serve something else, such as a test, and is only mentioned.
func (s *sieve) stray(name, key string) {
	at := &node{place: place{name: name}, key: key}
	for _, top := range s.keys.names() {
		t := s.keys.kids[top]
		if rest, ok := strings.CutPrefix(key, top+"_"); ok && t.branch() {
			s.fault(at, "", "", "is no key: two underscores separate levels; did you mean %s%s__%s?", prefix, strings.ToUpper(top), strings.ToUpper(rest))
			return
		}
		if t.key != nil && nearest(key, []string{top}) != "" {
			s.fault(at, "", "", "is no key; did you mean %s?", variable(top))
			return
		}
	}
	s.notices = append(s.notices, Notice{Key: name, What: "is no key and is not read"})
}

// A setting is one key from outside the file, with its path.
type setting struct {
	path []string
	node *node
}

// variables turns the environment into settings, those of tables before those inside them. What is wrong with one
// becomes a fault that names it.
func (s *sieve) variables(environ []string) []setting {
	var all []setting
	sorted := slices.Clone(environ)
	slices.Sort(sorted)
	for _, entry := range sorted {
		name, value, _ := strings.Cut(entry, "=")
		if !strings.HasPrefix(name, prefix) || value == "" {
			continue
		}
		path := strings.Split(strings.ToLower(strings.TrimPrefix(name, prefix)), "__")
		if len(path) == 1 && s.keys.kids[path[0]] == nil {
			s.stray(name, path[0])
			continue
		}
		if set, ok := s.setting(name, path, value); ok {
			all = append(all, set)
		}
	}
	return all
}

// flags turns settings from the command line, by path with dots, into settings.
func (s *sieve) flags(flags map[string]string) []setting {
	var all []setting
	var paths []string
	for path := range flags {
		paths = append(paths, path)
	}
	slices.Sort(paths)
	for _, path := range paths {
		if set, ok := s.setting("command line", splitPath(path), flags[path]); ok {
			all = append(all, set)
		}
	}
	return all
}

// setting makes one setting: the path is followed through the table of keys, and the text becomes a node of the key's
// form, checked like the file.
func (s *sieve) setting(name string, path []string, value string) (setting, bool) {
	t := s.keys
	for i, part := range path {
		step := &node{place: place{name: name}, key: part}
		next, named := t.step(part)
		switch {
		case named && !isName(part):
			s.badName(step, strings.Join(path[:i+1], "."))
			return setting{}, false
		case next == nil:
			s.unknown(step, t, strings.Join(path[:i+1], "."))
			return setting{}, false
		}
		t = next
	}
	n, ok := s.value(name, path, value, t)
	return setting{path, n}, ok
}

func (s *sieve) value(name string, path []string, value string, t *keyTree) (*node, bool) {
	key, whole := path[len(path)-1], strings.Join(path, ".")
	loose := &node{place: place{name: name}, key: key, value: value, text: value, loose: true}
	marked := strings.HasPrefix(value, "[") || strings.HasPrefix(value, "{")
	switch {
	case t.key != nil && (t.key.form == text || t.key.form == number || t.key.form == truth), t.key != nil && t.key.form == either && !marked:
		return loose, true
	case !marked:
		s.fault(loose, whole, loose.shown(), "is a list or a table: write it as TOML, such as %s", tomlExample(t))
		return nil, false
	}
	tree, faults := parse([]byte("x = "+value), place{name: name})
	if len(faults) > 0 || len(tree.keys) != 1 {
		s.fault(loose, whole, loose.shown(), "is no TOML value; write such as %s", tomlExample(t))
		return nil, false
	}
	n := tree.keys[0]
	n.key = key
	if n.shape == table && t.branch() {
		s.table(n, t, whole)
	} else if n.shape == array && !s.asArray(n, t, whole) || n.shape == table && !s.asTable(n, t, whole) {
		return nil, false
	}
	return n, true
}

func tomlExample(t *keyTree) string {
	if t.key != nil && t.key.sample() != "" {
		return t.key.sample()
	}
	for _, name := range t.names() {
		if k := t.kids[name].key; k != nil && k.sample() != "" {
			return "{ " + name + " = " + k.sample() + " }"
		}
	}
	return "{ name = \"value\" }"
}
