package ocpp

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

// Write sets the limit in force, without an end, or starts or stops a transaction.
func (l *ocppLink) Write(ctx context.Context, p *actions.Point, v actions.Value) error {
	return l.write(ctx, p, v, time.Time{})
}

// Lend sets a limit that the charger drops by itself when the term is over. It implements [link.Lender]; a transaction has no end of
// its own, so that charging is only written.
func (l *ocppLink) Lend(ctx context.Context, p *actions.Point, v actions.Value, t link.Term) error {
	return l.write(ctx, p, v, time.Now().Add(t.For))
}

func (l *ocppLink) write(ctx context.Context, p *actions.Point, v actions.Value, until time.Time) error {
	name := pointName(p)
	if p.Write == nil || name != "current" && name != "charging" {
		return bad(p, "it cannot be written")
	}
	wire, err := link.Wire(p, v)
	if err != nil {
		return err
	}
	what := fmt.Sprintf("%s: write %s", l.name, name)
	if ctx.Err() != nil {
		return &link.Error{Class: link.Unreachable, What: what + ": given up before it was sent", Err: ctx.Err()}
	}
	t, s, able, err := l.now(what)
	if err != nil {
		return err
	}
	ctx, cancel := link.Within(ctx, l.spec)
	defer cancel()
	if name == "charging" {
		return l.charge(ctx, t, s, p, wire)
	}
	amps, ok := link.AsNumber(wire)
	switch {
	case !ok || amps < 0:
		return bad(p, "%s is no limit in A", link.Text(wire))
	case able.wattsOnly && p.Write.WPerA <= 0:
		return bad(p, "the charger takes limits in W only, and what 1 A is in W is not known")
	}
	// Limits have one decimal (1.6, 7.14; 2.0.1 Part 2, ChargingSchedulePeriodType); down is the safe side.
	one := limit{most: math.Floor(amps*10+1e-6) / 10, unit: "A", end: until}
	free := one.most >= unlimited(p)
	if able.wattsOnly {
		one.most, one.unit = math.Floor(amps*p.Write.WPerA*10+1e-6)/10, "W"
	}
	return l.limit(ctx, t, s, able, one, free)
}

// charge starts or stops a transaction, unless that is how things stand.
func (l *ocppLink) charge(ctx context.Context, t *talk, s *seen, p *actions.Point, wire any) error {
	var running known[bool]
	var id string
	s.look(func(s *seen) { running, id = s.running, s.transaction })
	switch link.Text(wire) {
	case "on", "true", "1":
		if running == hear(true) {
			return nil
		}
		return t.dialect.start(ctx, t)
	case "off", "false", "0":
		if running == hear(false) {
			return nil
		}
		return t.dialect.stop(ctx, t, id)
	}
	return bad(p, "charging is on or off, not %s", link.Text(wire))
}

// limit sets the profiles of a limit; free says that it means none. First comes what is to hold from now on, then goes
// what would stand above it.
func (l *ocppLink) limit(ctx context.Context, t *talk, s *seen, able abilities, one limit, free bool) error {
	lend := !one.end.IsZero()
	if free && !lend {
		return clearAll(ctx, t, lentDefault, lentTx, keptDefault, keptTx)
	}
	var running known[bool]
	var id string
	s.look(func(s *seen) { running, id = s.running, s.transaction })
	one.id, one.purpose, one.level, one.start = keptDefault, purposeDefault, max(able.level-1, 0), time.Now().Add(-beat).Truncate(time.Second)
	tx := keptTx
	if lend {
		one.id, one.level, tx = lentDefault, able.level, lentTx
	}
	err := t.dialect.set(ctx, t, one)
	if running == hear(true) && id != "" && (err == nil || link.ClassOf(err) == link.Refused) {
		one.id, one.purpose, one.transaction = tx, purposeTx, id
		if second := t.dialect.set(ctx, t, one); err != nil || link.ClassOf(second) != link.Refused {
			err = second // one of the two accepted is accepted
		}
	}
	if err == nil && !lend && able.level > 0 {
		err = clearAll(ctx, t, lentDefault, lentTx)
	}
	return err
}

func clearAll(ctx context.Context, t *talk, ids ...int) error {
	for _, id := range ids {
		if err := t.dialect.clear(ctx, t, id); err != nil {
			return err
		}
	}
	return nil
}

// unlimited is the limit that means none: the end of the point's range, or 32 A.
func unlimited(p *actions.Point) float64 {
	if p.HasRange && p.Max > 0 {
		return p.Max
	}
	return 32
}

// Read returns what the charger has told, or asks it for the limit in force.
func (l *ocppLink) Read(ctx context.Context, p *actions.Point) (actions.Value, error) {
	name := pointName(p)
	if p.Read == nil || l.check(p) != nil {
		return actions.Value{}, bad(p, "it cannot be read")
	}
	what := fmt.Sprintf("%s: read %s", l.name, name)
	t, s, able, err := l.now(what)
	if err != nil {
		return actions.Value{}, err
	}
	ctx, cancel := link.Within(ctx, l.spec)
	defer cancel()
	switch name {
	case "current":
		return readLimit(ctx, t, p, able)
	case "power", "energy":
		return l.readMeter(ctx, t, s, p, name, what)
	}
	var flag known[bool]
	s.look(func(s *seen) {
		if flag = s.plugged; name == "charging" {
			flag = s.running
		}
	})
	if !flag.heard {
		return actions.Value{}, &link.Error{Class: link.NotYet, What: what + ": the charger has not said it since it came"}
	}
	return named(p, flag.value)
}

// named returns the point's name for yes and no, or on and off.
func named(p *actions.Point, yes bool) (actions.Value, error) {
	for _, n := range p.Values {
		switch link.Text(n.Wire) {
		case "yes", "on", "true", "1":
			if yes {
				return actions.Named(n.Name), nil
			}
		case "no", "off", "false", "0":
			if !yes {
				return actions.Named(n.Name), nil
			}
		}
	}
	return actions.Value{}, bad(p, "its values have no wire form for %v", yes)
}

func readLimit(ctx context.Context, t *talk, p *actions.Point, able abilities) (actions.Value, error) {
	unit, perA := "A", 1.0
	if able.wattsOnly && p.Read.WPerA > 0 {
		unit, perA = "W", p.Read.WPerA
	}
	most, ok, err := t.dialect.composite(ctx, t, unit)
	amps := most / perA
	switch {
	case err != nil:
		return actions.Value{}, err
	case !ok:
		return actions.Number(unlimited(p)), nil
	}
	return actions.Number(min(amps, unlimited(p))), nil
}

// readMeter returns the newest meter value, and asks for one first where that is old and asking is not too much.
func (l *ocppLink) readMeter(ctx context.Context, t *talk, s *seen, p *actions.Point, name, what string) (actions.Value, error) {
	if err := l.refresh(ctx, t, s); err != nil {
		return actions.Value{}, err
	}
	var v known[float64]
	s.look(func(s *seen) {
		if v = s.power; name == "energy" {
			v = s.energy
		}
	})
	if !v.heard {
		return actions.Value{}, &link.Error{Class: link.NotYet, What: what + ": the charger has not said it since it came"}
	}
	if x, ok := inUnit(v.value, p.Unit); ok {
		return actions.Number(x), nil
	}
	return actions.Value{}, &link.Error{Class: link.Impossible, What: what, Err: errors.New("its unit is W, kW, Wh or kWh")}
}

// refresh asks for meter values where the newest are old, and waits for them half the time of an exchange. A charger that
// cannot be asked tells when it likes.
func (l *ocppLink) refresh(ctx context.Context, t *talk, s *seen) error {
	newest := func() (at time.Time, news <-chan struct{}) {
		news = s.look(func(s *seen) { at = s.metered })
		return at, news
	}
	before, _ := newest()
	if time.Since(before) < fresh || !l.mayAsk() {
		return nil
	}
	switch err := t.dialect.meter(ctx, t); {
	case link.ClassOf(err) == link.Refused:
		return nil
	case err != nil:
		return err
	}
	wait, cancel := context.WithTimeout(ctx, link.Limit(l.spec)/2)
	defer cancel()
	for {
		at, news := newest()
		if at != before {
			return nil
		}
		select {
		case <-news:
		case <-wait.Done():
			return nil
		case <-t.over.Done():
			return &link.Error{Class: link.Unknown, What: t.name + ": wait for meter values", Err: context.Cause(t.over)}
		}
	}
}

// inUnit turns W and Wh into the point's unit.
func inUnit(x float64, unit string) (float64, bool) {
	switch unit {
	case "", "W", "Wh":
		return x, true
	case "kW", "kWh":
		return x / 1000, true
	}
	return 0, false
}

// mayAsk reports whether it is time to ask for meter values again, and notes that it is done.
func (l *ocppLink) mayAsk() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if time.Since(l.asked) < fresh {
		return false
	}
	l.asked = time.Now()
	return true
}
