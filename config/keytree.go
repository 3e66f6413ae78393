package config

import (
	"sort"
	"strings"
)

// A keyTree is the table of keys as a tree: what may stand below what.
type keyTree struct {
	key  *key // nil for a table that is no key by itself
	kids map[string]*keyTree
}

func newKeyTree(all []key) *keyTree {
	root := &keyTree{kids: map[string]*keyTree{}}
	for i := range all {
		t := root
		for part := range strings.SplitSeq(all[i].path, ".") {
			if t.kids[part] == nil {
				t.kids[part] = &keyTree{kids: map[string]*keyTree{}}
			}
			t = t.kids[part]
		}
		t.key = &all[i]
	}
	return root
}

// step returns what stands below t under a name, or nil; any is true where the name is free.
func (t *keyTree) step(name string) (next *keyTree, any bool) {
	if next = t.kids[name]; next != nil && name != "*" {
		return next, false
	}
	return t.kids["*"], t.kids["*"] != nil
}

// at follows a path from t, or returns nil.
func (t *keyTree) at(path []string) *keyTree {
	for _, part := range path {
		if t, _ = t.step(part); t == nil {
			return nil
		}
	}
	return t
}

// anyKey returns the key that t is, or the first of those in the table that it is; nil where there is none.
func (t *keyTree) anyKey() *key {
	if t == nil || t.key != nil {
		if t == nil {
			return nil
		}
		return t.key
	}
	for _, name := range t.names() {
		if k := t.kids[name].key; k != nil {
			return k
		}
	}
	return nil
}

// names lists what may stand below t, free names and secrets left out.
func (t *keyTree) names() []string {
	var all []string
	for name, kid := range t.kids {
		if name != "*" && (kid.key == nil || !kid.key.secret) {
			all = append(all, name)
		}
	}
	sort.Strings(all)
	return all
}

// branch reports whether a table under t is taken apart, rather than taken whole.
func (t *keyTree) branch() bool { return len(t.kids) > 0 }
