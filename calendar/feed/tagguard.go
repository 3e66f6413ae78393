package feed

import (
	"bytes"
	"fmt"
	"io"
)

// mostTag bounds a tag with its attributes: the XML decoder holds every attribute of a tag before it gives the tag.
const mostTag = 64 << 10

// A tagGuard passes XML on and stops before a tag, or a text between tags, that would make the decoder behind it hold
// too much. It knows just enough of XML for that (XML 1.0 2.4 to 2.7, 3.1); whether the XML is right is for the decoder.
type tagGuard struct {
	r     io.Reader
	err   error
	state guardState
	run   int    // bytes of the tag or text so far
	head  []byte // the first bytes of a tag, to know CDATA by
	quote byte   // the quote that is open in a tag, or 0
	tail  [2]byte
}

type guardState int

const (
	inText guardState = iota
	inTag
	inCDATA
)

var cdataHead = []byte("![CDATA[")

func (g *tagGuard) Read(p []byte) (int, error) {
	if g.err != nil {
		return 0, g.err
	}
	n, err := g.r.Read(p)
	for _, b := range p[:n] {
		if g.err = g.see(b); g.err != nil {
			return 0, g.err
		}
	}
	g.err = err
	return n, err
}

func (g *tagGuard) see(b byte) error {
	g.run++
	switch g.state {
	case inText:
		if b == '<' {
			g.state, g.run, g.head, g.quote = inTag, 0, g.head[:0], 0
		}
	case inTag:
		g.seeTag(b)
	case inCDATA:
		if b == '>' && g.tail == [2]byte{']', ']'} {
			g.state, g.run = inText, 0
		}
		g.tail = [2]byte{g.tail[1], b}
	}
	if g.state == inTag && g.run > mostTag || g.run > mostText {
		return fmt.Errorf("one of its tags or texts is too long: %w", errXML)
	}
	return nil
}

func (g *tagGuard) seeTag(b byte) {
	if len(g.head) < len(cdataHead) {
		g.head = append(g.head, b)
		if bytes.Equal(g.head, cdataHead) {
			g.state, g.run, g.tail = inCDATA, 0, [2]byte{}
			return
		}
	}
	// Quotes count in the tags of elements only; in comments and instructions they are like any other byte.
	if first := g.head[0]; first != '!' && first != '?' {
		switch {
		case g.quote == b:
			g.quote = 0
			return
		case g.quote != 0:
			return
		case b == '"' || b == '\'':
			g.quote = b
			return
		}
	}
	if b == '>' {
		g.state, g.run = inText, 0
	}
}
