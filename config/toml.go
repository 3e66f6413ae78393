package config

import (
	"bytes"
	"errors"
	"fmt"
	"sort"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// A reader builds the tree of one document. The parser of go-toml that gives positions leaves the rules on duplicates
// to its caller, so that is done here, where both lines can be named.
type reader struct {
	p      unstable.Parser
	at     place // file, or the variable, that the document stands in
	starts []int // where each line begins; asking the parser would count lines from the top each time
	faults []Fault
}

// parse reads a document into a tree. at gives its name; faults are those of syntax and of keys that stand twice. The
// tree is nil where the syntax leaves none.
func parse(doc []byte, at place) (*node, []Fault) {
	doc = bytes.TrimPrefix(doc, []byte("\ufeff"))
	r := &reader{at: at, starts: lineStarts(doc)}
	root := &node{place: at, shape: table}
	r.p.Reset(doc)
	into := root
	for r.p.NextExpression() {
		into = r.expression(r.p.Expression(), root, into)
	}
	var plain map[string]any
	err := toml.Unmarshal(doc, &plain)
	if r.p.Error() != nil || err != nil && len(r.faults) == 0 {
		return nil, []Fault{r.syntax(doc, err)}
	}
	return root, r.faults
}

// syntax makes a fault of what go-toml says. Its message never quotes the document, so no secret gets out.
func (r *reader) syntax(doc []byte, err error) Fault {
	f := Fault{File: r.at.file, Var: r.at.name, What: "no TOML"}
	var d *toml.DecodeError
	if !errors.As(err, &d) {
		return f
	}
	f.Line, f.Col = d.Position()
	f.What = "no TOML: " + strings.TrimPrefix(d.Error(), "toml: ")
	if r.at.name != "" {
		f.Line, f.Col = 0, 0
		return f
	}
	lines := bytes.Split(doc, []byte("\n"))
	if f.Line > len(lines) {
		return f
	}
	_, value, isKey := strings.Cut(string(lines[f.Line-1]), "=")
	if value = strings.TrimSpace(value); isKey && value != "" && unquoted(value) {
		f.What += "; text and quantities stand between quotes"
	}
	return f
}

// unquoted reports whether a value begins like text or a quantity that somebody forgot to quote.
func unquoted(value string) bool {
	word := strings.FieldsFunc(value, func(r rune) bool { return r == ' ' || r == ',' || r == '#' })
	if len(word) == 0 || strings.ContainsAny(value[:1], `"'[{`) {
		return false
	}
	letter := strings.IndexFunc(value, func(r rune) bool { return r >= 'A' && r <= 'z' || r > 127 || r == '%' })
	return letter >= 0 && word[0] != "true" && word[0] != "false"
}

// expression adds one line of the document and returns the table that the next keys belong to.
func (r *reader) expression(e *unstable.Node, root, into *node) *node {
	switch e.Kind {
	case unstable.Table:
		return r.header(e, root)
	case unstable.ArrayTable:
		return r.item(e, root)
	case unstable.KeyValue:
		r.pair(e, into)
	}
	return into
}

// header opens [a.b.c].
func (r *reader) header(e *unstable.Node, root *node) *node {
	t, last := r.walk(e.Key(), root)
	if t == nil {
		return &node{shape: table} // what follows has nowhere to go; its place has been complained of
	}
	found := t.find(last.key)
	switch {
	case found == nil:
		last.shape, last.headed = table, true
		t.keys = append(t.keys, last)
		return last
	case found.shape != table || found.headed || found.closed:
		r.twice(last, found)
		return &node{shape: table}
	}
	found.headed = true
	return found
}

// item opens another [[a.b.c]].
func (r *reader) item(e *unstable.Node, root *node) *node {
	t, last := r.walk(e.Key(), root)
	if t == nil {
		return &node{shape: table}
	}
	list := t.find(last.key)
	if list == nil {
		list = &node{place: last.place, key: last.key, path: last.path, shape: array}
		t.keys = append(t.keys, list)
	} else if list.shape != array || list.closed {
		r.twice(last, list)
		return &node{shape: table}
	}
	last.shape, last.headed = table, true
	list.items = append(list.items, last)
	return last
}

// pair adds a.b = value to a table.
func (r *reader) pair(e *unstable.Node, into *node) {
	t, last := r.walk(e.Key(), into)
	if t == nil {
		return
	}
	if found := t.find(last.key); found != nil {
		r.twice(last, found)
		return
	}
	r.fill(last, e.Value())
	t.keys = append(t.keys, last)
}

// walk follows all but the last part of a dotted key, making tables where there are none.
func (r *reader) walk(keys unstable.Iterator, t *node) (into, last *node) {
	for keys.Next() {
		k := keys.Node()
		last = &node{place: r.place(k), key: string(k.Data), path: join(t.path, string(k.Data))}
		if keys.IsLast() {
			break
		}
		next := t.find(last.key)
		if next == nil {
			last.shape = table
			next = last
			t.keys = append(t.keys, next)
		}
		if next.shape == array && !next.closed {
			next = next.items[len(next.items)-1]
		}
		if next.shape != table || next.closed {
			r.twice(last, next)
			return nil, last
		}
		t = next
	}
	return t, last
}

func (r *reader) place(n *unstable.Node) place {
	at := r.at
	if at.name == "" {
		offset := int(n.Raw.Offset)
		at.line = sort.SearchInts(r.starts, offset+1)
		at.col = offset - r.starts[at.line-1] + 1
	}
	return at
}

func lineStarts(doc []byte) []int {
	starts := []int{0}
	for i, b := range doc {
		if b == '\n' {
			starts = append(starts, i+1)
		}
	}
	return starts
}

func (r *reader) twice(again, first *node) {
	what := "stands twice: once at most"
	if first.line > 0 {
		what = fmt.Sprintf("stands already on line %d: once at most", first.line)
	}
	r.faults = append(r.faults, Fault{File: again.file, Line: again.line, Col: again.col, Var: again.name, Key: again.path, What: what})
}

// fill gives n the value v. A container made by a value is closed: headers and dotted keys cannot add to it.
func (r *reader) fill(n *node, v *unstable.Node) {
	switch v.Kind {
	case unstable.Array:
		n.shape, n.closed = array, true
		for it := v.Children(); it.Next(); {
			item := &node{place: n.place, key: n.key}
			if raw := it.Node().Raw; raw.Length > 0 {
				item.place = r.place(it.Node())
			}
			r.fill(item, it.Node())
			n.items = append(n.items, item)
		}
		n.text = listText(n.items)
	case unstable.InlineTable:
		n.shape = table
		for it := v.Children(); it.Next(); {
			r.pair(it.Node(), n)
		}
		n.closed = true
	default:
		n.text = string(r.p.Raw(v.Raw))
		n.value = scalarValue(v)
	}
}

func listText(items []*node) string {
	all := make([]string, len(items))
	for i, n := range items {
		if all[i] = n.text; n.shape == table {
			all[i] = "{…}"
		}
	}
	return "[" + strings.Join(all, ", ") + "]"
}

// scalarValue decodes one value. go-toml decodes it: it has checked the document, so an error here is a value that its
// own check will refuse.
func scalarValue(v *unstable.Node) any {
	if v.Kind == unstable.String {
		return string(v.Data)
	}
	var one struct{ V any }
	if err := toml.Unmarshal([]byte("V = "+string(v.Data)), &one); err != nil {
		return nil
	}
	return one.V
}
