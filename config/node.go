package config

import (
	"strconv"
	"strings"
	"unicode/utf8"
)

// A shape says what a node of the tree is.
type shape int

const (
	scalar shape = iota
	array
	table
)

// A place says where a node was written.
type place struct {
	file string
	line int
	col  int    // in bytes
	name string // of the variable or flag; file is "" then
}

// A node is one value of the configuration, with where and how it was written.
type node struct {
	place
	key   string // the last part of its path, as written
	path  string // all of it, where the node comes from the file
	shape shape
	value any    // of a scalar: string, bool, int64, float64 or a toml.Local…
	text  string // of a scalar or array, as written
	// loose is set on text out of the environment, which has no types: "3" may be a number.
	loose bool

	keys  []*node // of a table, in file order
	items []*node // of an array
	// How a table came about, which decides whether it may be added to.
	closed, headed bool
}

// find returns the key of a table, or nil.
func (n *node) find(key string) *node {
	for _, k := range n.keys {
		if k.key == key {
			return k
		}
	}
	return nil
}

// drop removes one key of a table.
func (n *node) drop(gone *node) {
	for i, k := range n.keys {
		if k == gone {
			n.keys = append(n.keys[:i:i], n.keys[i+1:]...)
			return
		}
	}
}

// shown returns the value as written, in one line that fits a message.
func (n *node) shown() string {
	if n == nil || n.shape == table {
		return ""
	}
	text := n.text
	if n.loose {
		text = strconv.Quote(text)
	}
	return shorten(strings.Join(strings.Fields(text), " "))
}

func shorten(s string) string {
	const most = 60
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	return string([]rune(s)[:most-1]) + "…"
}

// string returns the text of a scalar that is one.
func (n *node) string() (string, bool) {
	s, ok := n.value.(string)
	return s, ok && n.shape == scalar
}

// number returns a bare number.
func (n *node) number() (float64, bool) {
	switch x := n.value.(type) {
	case int64:
		return float64(x), true
	case float64:
		return x, true
	case string:
		if !n.loose {
			return 0, false
		}
		x64, err := strconv.ParseFloat(x, 64)
		return x64, err == nil && strings.Trim(x, "+-0123456789.") == ""
	}
	return 0, false
}

// bool returns a truth value.
func (n *node) bool() (value, ok bool) {
	switch x := n.value.(type) {
	case bool:
		return x, true
	case string:
		return x == "true", n.loose && (x == "true" || x == "false")
	}
	return false, false
}
