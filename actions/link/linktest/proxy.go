package linktest

import (
	"io"
	"maps"
	"net"
	"sync"
)

// A Proxy stands before a far end on TCP, so that a conversation can be cut and mended in the middle. A [Peer] that embeds
// one has its Cut and Mend of it.
type Proxy struct {
	target string
	addr   string
	wg     sync.WaitGroup

	mu       sync.Mutex
	listener net.Listener // nil while cut
	conns    map[net.Conn]bool
	near     map[net.Conn]*sync.Mutex // towards the link; held while writing
}

// NewProxy forwards connections to target, host:port.
func NewProxy(target string) (*Proxy, error) {
	p := &Proxy{target: target, addr: "127.0.0.1:0", conns: map[net.Conn]bool{}, near: map[net.Conn]*sync.Mutex{}}
	return p, p.listen()
}

// Addr returns the address to dial, host:port. It stays the same over Cut and Mend.
func (p *Proxy) Addr() string { return p.addr }

// Mend admits connections again. It panics where another program has taken the address meanwhile.
func (p *Proxy) Mend() {
	if err := p.listen(); err != nil {
		panic(err)
	}
}

func (p *Proxy) listen() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.listener != nil {
		return nil
	}
	l, err := net.Listen("tcp", p.addr)
	if err != nil {
		return err
	}
	p.listener, p.addr = l, l.Addr().String()
	p.wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			p.wg.Go(func() { p.serve(l, c) })
		}
	})
	return nil
}

// Cut ends all connections and refuses new ones.
func (p *Proxy) Cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.listener != nil {
		_ = p.listener.Close()
		p.listener = nil
	}
	for c := range p.conns {
		_ = c.Close()
	}
	clear(p.conns)
	clear(p.near)
}

// Inject sends what r yields into every conversation, as if it came from the far end. The far end must be quiet.
func (p *Proxy) Inject(r func() io.Reader) {
	p.mu.Lock()
	near := maps.Clone(p.near)
	p.mu.Unlock()
	for c, writing := range near {
		writing.Lock()
		_, _ = io.Copy(struct{ io.Writer }{c}, r())
		writing.Unlock()
	}
}

// Close cuts, and waits for the end of all that ran.
func (p *Proxy) Close() {
	p.Cut()
	p.wg.Wait()
}

func (p *Proxy) serve(l net.Listener, near net.Conn) {
	defer func() { _ = near.Close() }()
	far, err := net.Dial("tcp", p.target)
	if err != nil {
		return
	}
	defer func() { _ = far.Close() }()
	p.mu.Lock()
	cut := p.listener != l
	writing := new(sync.Mutex)
	if !cut {
		p.conns[near], p.conns[far], p.near[near] = true, true, writing
	}
	p.mu.Unlock()
	if cut {
		return
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		_, _ = io.Copy(far, near)
		_ = far.Close()
	}()
	_, _ = io.Copy(lockedWriter{near, writing}, far)
	_ = near.Close()
	<-done
	p.mu.Lock()
	delete(p.conns, near)
	delete(p.conns, far)
	delete(p.near, near)
	p.mu.Unlock()
}

type lockedWriter struct {
	io.Writer
	mu *sync.Mutex
}

func (w lockedWriter) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.Writer.Write(p)
}
