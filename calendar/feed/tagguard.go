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
	most  int // bytes of a text
	err   error
	long  bool // a bound was passed
	state guardState
	run   int     // bytes of the tag or text so far
	head  []byte  // the first bytes of a tag, to know CDATA by
	quote byte    // the quote that is open in a tag, or 0
	tail  [3]byte // the last bytes in CDATA
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
	for rest := p[:n]; len(rest) > 0; {
		rest = rest[g.step(rest):]
		if g.long {
			g.err = fmt.Errorf("one of its tags or texts is too long: %w", errXML)
			return 0, g.err
		}
	}
	g.err = err
	return n, err
}

// step takes the longest stretch of b that stays in one state, up to the byte that ends it, and gives its length.
func (g *tagGuard) step(b []byte) int {
	n := 1
	switch g.state {
	case inText:
		n = until(b, '<')
		g.count(n, g.most)
		if b[n-1] == '<' {
			g.state, g.run, g.head, g.quote = inTag, 0, g.head[:0], 0
		}
	case inCDATA:
		n = until(b, '>')
		g.count(n, g.most)
		for _, c := range b[max(n-3, 0):n] {
			g.tail = [3]byte{g.tail[1], g.tail[2], c}
		}
		if g.tail == [3]byte{']', ']', '>'} {
			g.state, g.run = inText, 0
		}
	case inTag:
		g.count(1, mostTag)
		g.seeTag(b[0])
	}
	return n
}

func (g *tagGuard) count(n, most int) {
	g.run += n
	g.long = g.long || g.run > most
}

// until is the length of b up to and with the first c, or of all of b.
func until(b []byte, c byte) int {
	if i := bytes.IndexByte(b, c); i >= 0 {
		return i + 1
	}
	return len(b)
}

func (g *tagGuard) seeTag(b byte) {
	if len(g.head) < len(cdataHead) {
		g.head = append(g.head, b)
		if bytes.Equal(g.head, cdataHead) {
			g.state, g.run, g.tail = inCDATA, 0, [3]byte{}
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
