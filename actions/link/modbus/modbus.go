package modbus

import (
	"context"
	"fmt"
	"sync"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

// Open opens a link of url modbus://host:502/UNIT or modbus+rtu:///dev/ttyUSB0/UNIT. It implements [link.Opener].
func Open(spec actions.Link, points []*actions.Point) (link.Link, error) {
	where, err := newTarget(spec)
	if err != nil {
		return nil, &link.Error{Class: link.Impossible, What: "link " + spec.Name, Err: err}
	}
	models, err := readModels(modelsText)
	if err != nil {
		return nil, err
	}
	l := &modbusLink{spec: spec, target: where, models: models, gate: link.NewGate(), decoders: map[actions.Ref]*link.Decoder{}}
	for _, p := range points {
		if err := l.check(p); err != nil {
			return nil, err
		}
		if p.Read == nil {
			continue
		}
		if l.decoders[p.Ref], err = link.NewDecoder(p, ""); err != nil {
			return nil, err
		}
	}
	l.open, l.close = context.WithCancel(context.Background())
	return l, nil
}

type modbusLink struct {
	spec     actions.Link
	target   target
	models   map[uint16]model
	gate     link.Gate
	decoders map[actions.Ref]*link.Decoder
	sessions link.Sessions
	open     context.Context // ends with the link
	close    context.CancelFunc
	wg       sync.WaitGroup

	// What follows belongs to whoever is in the gate.
	conn  *conn     // nil: none
	quiet time.Time // when a serial line may be used again
}

// Write sends the command in one request.
func (l *modbusLink) Write(ctx context.Context, p *actions.Point, v actions.Value) error {
	return l.Lend(ctx, p, v, link.Longest(p))
}

// Lend is Write with the term in the point's timer, where it has one. It implements [link.Lender].
func (l *modbusLink) Lend(ctx context.Context, p *actions.Point, v actions.Value, t link.Term) error {
	if p.Write == nil || p.Write.Register == nil {
		return bad(p, "it has no register to write to")
	}
	c, err := l.timedCommand(p, v, t)
	if err != nil {
		return err
	}
	_, err = l.turn(ctx, fmt.Sprintf("%s: write %s", l.target.name, c.where), true, func(x *exchange) (actions.Value, error) {
		return actions.Value{}, c.send(x)
	})
	return err
}

// Read asks for the point's value.
func (l *modbusLink) Read(ctx context.Context, p *actions.Point) (actions.Value, error) {
	decode := l.decoders[p.Ref]
	if p.Read == nil || p.Read.Register == nil || decode == nil {
		return actions.Value{}, bad(p, "it has no register to read from")
	}
	r := p.Read.Register
	ask := func(x *exchange) (actions.Value, error) { return readPlain(x, r, decode) }
	if r.Model != 0 {
		ask = func(x *exchange) (actions.Value, error) { return l.readModel(x, r, decode) }
	}
	return l.turn(ctx, fmt.Sprintf("%s: read %s", l.target.name, place(r)), false, ask)
}

// turn waits for the gate, sees to the connection and runs one exchange. It returns when ctx ends, even where the library
// waits on: the gate then opens when that is over, so that no two exchanges mix.
func (l *modbusLink) turn(ctx context.Context, what string, command bool, run func(*exchange) (actions.Value, error)) (actions.Value, error) {
	ctx, cancel := link.Within(ctx, l.spec)
	stop := context.AfterFunc(l.open, cancel)
	if err := l.gate.Enter(ctx, what); err != nil {
		stop()
		cancel()
		return actions.Value{}, err
	}
	if l.open.Err() != nil {
		stop()
		cancel()
		l.gate.Leave()
		return actions.Value{}, link.Closed(what)
	}
	type outcome struct {
		value actions.Value
		err   error
	}
	x := &exchange{ctx: ctx, what: what, limit: link.Limit(l.spec), command: command}
	done := make(chan outcome, 1)
	l.wg.Go(func() {
		v, err := l.exchange(x, run)
		l.sessions.Note(err)
		done <- outcome{v, err}
		stop()
		cancel()
		l.gate.Leave()
	})
	select {
	case o := <-done:
		return o.value, o.err
	case <-ctx.Done():
	}
	select {
	case o := <-done: // the end of the exchange ends ctx
		return o.value, o.err
	default:
		return actions.Value{}, x.giveUp()
	}
}

// exchange runs in the gate.
func (l *modbusLink) exchange(x *exchange, run func(*exchange) (actions.Value, error)) (actions.Value, error) {
	if l.conn != nil && l.target.stale(l.conn) {
		l.hangUp()
	}
	if err := l.await(x); err != nil {
		return actions.Value{}, err
	}
	kept := l.conn != nil
	if err := l.connect(x); err != nil {
		return actions.Value{}, err
	}
	v, err := run(x)
	if kept && err != nil && !x.left() && hungUp(err) { // nothing was asked of a box that had hung up before
		l.hangUp()
		if err := l.connect(x); err != nil {
			return actions.Value{}, err
		}
		v, err = run(x)
	}
	if broken(err) {
		l.hangUp()
		if l.target.serial {
			l.quiet = time.Now().Add(x.limit / 2)
		}
	}
	return v, err
}

// await leaves a serial line alone for a while after a request that was not answered: RTU does not number its frames, so
// that a late answer would pass for that to the next request. Opening the line again throws away what came meanwhile.
func (l *modbusLink) await(x *exchange) error {
	t := time.NewTimer(time.Until(l.quiet))
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-x.ctx.Done():
		return &link.Error{Class: link.Unreachable, What: x.what + ": the line is not quiet yet", Err: x.ctx.Err()}
	}
}

func (l *modbusLink) connect(x *exchange) error {
	if l.conn == nil {
		c, err := l.target.dial()
		if err != nil {
			return &link.Error{Class: link.Unreachable, What: x.what, Err: err}
		}
		l.conn = c
	}
	x.conn = l.conn
	return nil
}

func (l *modbusLink) hangUp() {
	if l.conn != nil {
		_ = l.conn.client.Close() // it is given up, whatever it says
		l.conn = nil
	}
}

// Session counts the times the box was lost and answered again.
func (l *modbusLink) Session() uint64 { return l.sessions.Number() }

// Close waits for the exchange under way, which the time of one exchange bounds.
func (l *modbusLink) Close() error {
	l.close()
	l.gate <- struct{}{}
	l.hangUp()
	<-l.gate
	l.wg.Wait()
	return nil
}

// place says where a register is, for messages.
func place(r *actions.Register) string {
	if r.Model != 0 {
		return fmt.Sprintf("%s of SunSpec model %d", r.Name, r.Model)
	}
	return fmt.Sprintf("%s %d", r.Table, r.Number)
}

func bad(p *actions.Point, format string, args ...any) error {
	return &link.Error{Class: link.Impossible, What: fmt.Sprintf("%s: ", p.Ref) + fmt.Sprintf(format, args...)}
}
