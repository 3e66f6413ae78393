package config

import (
	"fmt"

	"github.com/spf13/viper"
)

// self is the key under which each table keeps its own node, so that a table without keys is not forgotten. No name can
// be it.
const self = "@"

// branch turns a table of the tree into the maps that viper merges. Their leaves are the nodes themselves, so that
// whichever layer wins, where it was written is not lost.
func branch(n *node, t *keyTree) map[string]any {
	m := map[string]any{self: n}
	for _, kid := range n.keys {
		next, _ := t.step(kid.key)
		if kid.shape == table && next.branch() {
			m[kid.key] = branch(kid, next)
		} else {
			m[kid.key] = kid
		}
	}
	return m
}

// over lays settings over a base. A setting replaces whatever stood at its path, a table included, and a value that
// stands where the path goes through.
func over(base map[string]any, settings []setting, t *keyTree) (map[string]any, error) {
	layer := map[string]any{}
	for _, s := range settings {
		prune(base, s.path)
		put(layer, s, t)
	}
	forget(layer, base)
	v := viper.New()
	for _, m := range []map[string]any{base, layer} {
		if err := v.MergeConfigMap(m); err != nil {
			return nil, fmt.Errorf("merge configuration layers: %w", err)
		}
	}
	return v.AllSettings(), nil
}

// prune makes room in m for a setting.
func prune(m map[string]any, path []string) {
	for i, part := range path {
		next, isTable := m[part].(map[string]any)
		if !isTable || i == len(path)-1 {
			delete(m, part)
			return
		}
		m = next
	}
}

// put adds a setting to a layer, with the tables on its way.
func put(m map[string]any, s setting, t *keyTree) {
	for _, part := range s.path[:len(s.path)-1] {
		next, isTable := m[part].(map[string]any)
		if !isTable {
			next = map[string]any{self: &node{place: s.node.place, key: part, shape: table}}
			m[part] = next
		}
		m = next
	}
	last := s.path[len(s.path)-1]
	if at := t.at(s.path); s.node.shape == table && at.branch() {
		m[last] = branch(s.node, at)
	} else {
		m[last] = s.node
	}
}

// forget drops from layer the nodes of tables that base has too, so that those keep the place where they begin.
func forget(layer, base map[string]any) {
	if base[self] != nil {
		delete(layer, self)
	}
	for key, sub := range layer {
		l, ok := sub.(map[string]any)
		b, ok2 := base[key].(map[string]any)
		if ok && ok2 {
			forget(l, b)
		}
	}
}
