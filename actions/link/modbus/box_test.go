package modbus

import (
	"encoding/binary"
	"io"
	"net"
	"sync"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/link/linktest"
)

// A box holds registers and coils, and answers as the standard has it, or as its manner is.
type box struct {
	mu        sync.Mutex
	manner    linktest.Manner
	delay     time.Duration
	holding   map[uint16]uint16
	input     map[uint16]uint16
	coils     map[uint16]bool
	discrete  map[uint16]bool
	commands  int
	requests  [][]byte // PDUs as they came
	exception byte     // 0: none
	no6       bool     // function 6 is not known
	stop      chan struct{}
}

func newRegisters() *box {
	return &box{
		manner: linktest.Accept, stop: make(chan struct{}),
		holding: map[uint16]uint16{}, input: map[uint16]uint16{}, coils: map[uint16]bool{}, discrete: map[uint16]bool{},
	}
}

// answer returns the answer PDU to a request PDU (Application Protocol V1.1b3, 6), or nil for none.
func (b *box) answer(pdu []byte) []byte {
	b.mu.Lock()
	manner, delay := b.manner, b.delay
	b.requests = append(b.requests, append([]byte(nil), pdu...))
	write := pdu[0] == 5 || pdu[0] == 6 || pdu[0] == 16
	if write {
		b.commands++
	}
	b.mu.Unlock()
	switch {
	case manner == linktest.Silent:
		return nil
	case manner == linktest.Late:
		select {
		case <-time.After(delay):
		case <-b.stop:
		}
	case manner == linktest.Refuse && write:
		return []byte{pdu[0] | 0x80, 4}
	case manner == linktest.Rubbish && !write:
		return []byte{pdu[0], 9, 1, 2, 3}
	case manner == linktest.Lossy && write:
		return pdu[:5]
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.exception != 0 {
		return []byte{pdu[0] | 0x80, b.exception}
	}
	return b.obey(pdu)
}

// asked returns how many requests came.
func (b *box) asked() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.requests)
}

func (b *box) obey(pdu []byte) []byte {
	at, n := binary.BigEndian.Uint16(pdu[1:]), binary.BigEndian.Uint16(pdu[3:])
	switch pdu[0] {
	case 1, 2:
		table := b.coils
		if pdu[0] == 2 {
			table = b.discrete
		}
		return []byte{pdu[0], 1, map[bool]byte{true: 1}[table[at]]}
	case 3, 4:
		table := b.holding
		if pdu[0] == 4 {
			table = b.input
		}
		out := []byte{pdu[0], byte(2 * n)}
		for i := range n {
			word, ok := table[at+i]
			if !ok {
				return []byte{pdu[0] | 0x80, 2}
			}
			out = binary.BigEndian.AppendUint16(out, word)
		}
		return out
	case 5:
		b.coils[at] = n == 0xff00
		return pdu[:5]
	case 6:
		if b.no6 {
			return []byte{pdu[0] | 0x80, 1}
		}
		b.holding[at] = n
		return pdu[:5]
	case 16:
		for i := range n {
			b.holding[at+i] = binary.BigEndian.Uint16(pdu[6+2*i:])
		}
		return pdu[:5]
	}
	return []byte{pdu[0] | 0x80, 1}
}

func (b *box) Points() (number, named *actions.Point) {
	number = point("number", actions.Register{Table: "holding", Number: 10, Type: "uint16", Bit: -1})
	number.Unit, number.HasRange, number.Max = "W", true, 5000
	named = point("named", actions.Register{Table: "coil", Number: 3, Bit: -1})
	named.Values = []actions.NamedValue{{Name: "off", Wire: false}, {Name: "on", Wire: true}}
	return number, named
}

// point can be written and read at r, where r's table can be written.
func point(name string, r actions.Register) *actions.Point {
	p := &actions.Point{Ref: actions.Ref{Device: "box", Point: name}, Read: &actions.Address{Register: &r}}
	if r.Table != "input" && r.Table != "discrete" {
		p.Write = &actions.Address{Register: &r}
	}
	return p
}

func (b *box) Behave(m linktest.Manner, delay time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.manner, b.delay = m, delay
}

func (b *box) Put(p *actions.Point, v actions.Value) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if p.Ref.Point == "number" {
		b.holding[10] = uint16(v.Number)
	} else {
		b.coils[3] = v.Name == "on"
	}
}

func (b *box) Has(p *actions.Point) actions.Value {
	b.mu.Lock()
	defer b.mu.Unlock()
	if p.Ref.Point == "number" {
		return actions.Number(float64(b.holding[10]))
	}
	return actions.Named(map[bool]string{false: "off", true: "on"}[b.coils[3]])
}

func (b *box) Commands() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.commands
}

// A tcpBox is a box on Modbus TCP, behind a proxy.
type tcpBox struct {
	*box
	listener net.Listener
	*linktest.Proxy
	wg sync.WaitGroup
}

func newTCPBox(t *testing.T) *tcpBox {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b := &tcpBox{box: newRegisters(), listener: l}
	b.holding[10] = 0
	if b.Proxy, err = linktest.NewProxy(l.Addr().String()); err != nil {
		t.Fatal(err)
	}
	b.wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			b.wg.Go(func() { b.serve(c) })
		}
	})
	return b
}

// serve answers frames: transaction, protocol 0, length, unit, PDU (Messaging on TCP/IP V1.0b, 3.1.3).
func (b *tcpBox) serve(c net.Conn) {
	defer c.Close()
	head := make([]byte, 7)
	for {
		if _, err := io.ReadFull(c, head); err != nil {
			return
		}
		pdu := make([]byte, binary.BigEndian.Uint16(head[4:])-1)
		if _, err := io.ReadFull(c, pdu); err != nil {
			return
		}
		b.mu.Lock()
		endless := b.manner == linktest.Endless && pdu[0] < 5
		b.mu.Unlock()
		if endless {
			for zeros := make([]byte, 1<<16); ; {
				if _, err := c.Write(zeros); err != nil {
					return
				}
			}
		}
		if out := b.answer(pdu); out != nil {
			frame := append([]byte(nil), head...)
			binary.BigEndian.PutUint16(frame[4:], uint16(len(out)+1))
			if _, err := c.Write(append(frame, out...)); err != nil {
				return
			}
		}
	}
}

func (b *tcpBox) Spec() actions.Link {
	return actions.Link{Name: "inverter", URL: "modbus://" + b.Proxy.Addr() + "/7", Protocol: "modbus"}
}

func (b *tcpBox) Close() {
	close(b.stop)
	b.listener.Close()
	b.Proxy.Close()
	b.wg.Wait()
}
