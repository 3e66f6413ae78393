package mqtt

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"time"
)

// largest is the most bytes that a packet from the broker may have after its fixed header.
const largest = 1 << 20

// Control packet types (MQTT 5.0, 2.1.2).
const (
	connack = 2
	publish = 3
)

// A guard stands between the socket and an MQTT library, which would make room for whatever length a packet announces
// (up to 256 MiB). It hands packets on whole, passes over too long messages, and ends the conversation at any other
// packet that is too long. It also bounds how long a write may hang. The MQTT 5 library writes a packet in pieces, and
// holds the lock over them that the connection offers.
type guard struct {
	net.Conn
	sync.Mutex
	in        *bufio.Reader
	oversized func(topic string, length int) // called for each message passed over
	patience  time.Duration                  // of a write

	head []byte // of the fixed header, still to be handed on
	left int    // bytes of the packet still to be handed on

	seen   sync.Mutex
	answer int // length of the CONNACK; 0: none came
}

func newGuard(c net.Conn, patience time.Duration, oversized func(string, int)) *guard {
	return &guard{Conn: c, in: bufio.NewReader(c), oversized: oversized, patience: patience}
}

// Read hands on the next bytes of packets that are short enough.
func (g *guard) Read(p []byte) (int, error) {
	for len(g.head) == 0 && g.left == 0 {
		if err := g.next(); err != nil {
			return 0, err
		}
	}
	if len(g.head) > 0 {
		n := copy(p, g.head)
		g.head = g.head[n:]
		return n, nil
	}
	n, err := g.in.Read(p[:min(len(p), g.left)])
	g.left -= n
	return n, err
}

// next reads the fixed header of the next packet (MQTT 5.0, 2.1.1), and the whole of one to be passed over.
func (g *guard) next() error {
	first, err := g.in.ReadByte()
	if err != nil {
		return err
	}
	head := []byte{first}
	length := 0
	for shift := 0; ; shift += 7 {
		b, err := g.in.ReadByte()
		if err != nil {
			return noEOF(err)
		}
		head = append(head, b)
		length |= int(b&0x7f) << shift
		if b < 0x80 {
			break
		}
		if shift == 21 { // 1.5.5: four bytes at most
			return fmt.Errorf("the broker sent a length that is none")
		}
	}
	if first>>4 == connack {
		g.seen.Lock()
		g.answer = length
		g.seen.Unlock()
	}
	if length <= largest {
		g.head, g.left = head, length
		return nil
	}
	if first>>4 != publish || first&0x06 != 0 {
		return fmt.Errorf("the broker sent a packet of type %d with %d bytes; %d are allowed", first>>4, length, largest)
	}
	return g.passOver(length)
}

func (g *guard) passOver(length int) error {
	var size [2]byte
	if _, err := io.ReadFull(g.in, size[:]); err != nil {
		return noEOF(err)
	}
	topic := make([]byte, binary.BigEndian.Uint16(size[:]))
	if _, err := io.ReadFull(g.in, topic); err != nil {
		return noEOF(err)
	}
	if _, err := io.CopyN(io.Discard, g.in, int64(length-2-len(topic))); err != nil {
		return noEOF(err)
	}
	g.oversized(string(topic), length)
	return nil
}

// connack returns the length of the CONNACK that came, or 0. That of 3.1.1 has two bytes, that of 5 at least three.
func (g *guard) connack() int {
	g.seen.Lock()
	defer g.seen.Unlock()
	return g.answer
}

// Write writes p whole, within the patience of the link.
func (g *guard) Write(p []byte) (int, error) {
	if err := g.SetWriteDeadline(time.Now().Add(g.patience)); err != nil {
		return 0, err
	}
	return g.Conn.Write(p)
}

func noEOF(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}
