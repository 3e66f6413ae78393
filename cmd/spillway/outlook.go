package main

import (
	"context"
	"errors"
	"math/big"
	"slices"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/settle"
	"spillway/calendar/feed"
	"spillway/config"
)

// keep reads a feed or calendar once, and remembers it so that the outlook need not read it again. What a collection was
// asked for is a range, and the outlook needs another.
func (l *ledger) keep(ctx context.Context, f config.Feed, spec feed.Spec) (feed.Result, error) {
	r, err := readOnce(ctx, f, spec)
	if err == nil && !strings.HasPrefix(f.URL, "caldav") {
		l.received[cmpName(f)] = r
	}
	return r, err
}

// outlook returns, by id, lines on what the windows of the plan are likely to bring, and on what their lead-ins do to the
// credit. Where there is no meter data there are none.
func (l *ledger) outlook(ctx context.Context, calendars []string, p *actions.Plan) map[string][]string {
	var ahead []*actions.PlannedWindow
	for i := range p.Windows {
		w := &p.Windows[i]
		proc := l.cfg.Premises.Procedure(w.Procedure)
		if proc != nil && len(proc.Terms) > 0 && (w.State == actions.Far || w.State == actions.Near) {
			ahead = append(ahead, w)
		}
	}
	if len(ahead) == 0 {
		return nil
	}
	s, err := l.foretelling(ctx, calendars, p)
	if err != nil {
		if !errors.Is(err, errNoMeterData) {
			l.note("nothing is foretold of gains: " + err.Error())
		}
		return nil
	}
	out := map[string][]string{}
	for _, w := range ahead {
		proc := l.cfg.Premises.Procedure(w.Procedure)
		changes := changesOf(p, w, &l.cfg.Premises)
		o := s.Outlook(w.Window, proc.Direction, proc.Terms, within(changes, w.Start, w.End))
		out[w.ID] = append(out[w.ID], o.Words())
		if i := s.LeadIn(w.Window, proc.Direction, proc.Terms, changes); i != nil {
			out[w.ID] = append(out[w.ID], i.Words(l.cfg.Premises.Zone))
		}
	}
	return out
}

// foretelling returns a settler whose books reach from the start of the meter data to the last window of the plan.
func (l *ledger) foretelling(ctx context.Context, calendars []string, p *actions.Plan) (*settle.Settler, error) {
	series, err := l.series(ctx, nil)
	if err != nil {
		return nil, err
	}
	first, last := series.Bounds()
	b := &settle.Books{Zone: l.cfg.Premises.Zone, Meter: series}
	for _, w := range p.Windows {
		b.Windows = append(b.Windows, w.Window)
		if w.End.After(last) {
			last = w.End
		}
	}
	past, err := l.windows(ctx, calendars, first, p.At)
	if err != nil {
		return nil, err
	}
	for _, w := range past {
		if !slices.ContainsFunc(b.Windows, func(v actions.Window) bool { return v.ID == w.ID }) {
			b.Windows = append(b.Windows, w)
		}
	}
	if err := l.termsNeed(ctx, b, first, last); err != nil {
		return nil, err
	}
	return settle.New(*b).Settling(&l.cfg.Premises), nil
}

// changesOf returns what the plan changes about the use of the premises for a window, from its lead-in to its end: what its
// devices draw or give, less what those that were heating or running would have drawn by themselves, as far as their last
// reading tells.
func changesOf(p *actions.Plan, w *actions.PlannedWindow, premises *actions.Premises) []settle.Change {
	var list []settle.Change
	for _, s := range p.Profile {
		if from, to := actions.Later(s.From, w.LeadIn), actions.Earlier(s.To, w.End); s.Device != "" && from.Before(to) {
			list = append(list, settle.Change{From: from, To: to, W: int64(s.KW * 1000)})
		}
	}
	seen := map[actions.Ref]bool{}
	for _, s := range p.Steps {
		if s.Window != w.ID || s.Phase == actions.PhaseRestore || seen[s.Point] {
			continue
		}
		seen[s.Point] = true
		d, pt := premises.Device(s.Point.Device), premises.Point(s.Point)
		if d == nil || pt == nil || d.Kind != actions.Tank && d.Kind != actions.Load || !s.From.Known {
			continue
		}
		if usual, draws := premises.DrawW(d, pt, s.From); draws && usual > 0 && s.At.Before(w.End) {
			list = append(list, settle.Change{From: s.At, To: w.End, W: -int64(usual)})
		}
	}
	return list
}

// within adds up what the changes come to from one instant to another, in kWh.
func within(changes []settle.Change, from, to time.Time) *big.Rat {
	total := new(big.Rat)
	for _, c := range changes {
		if d := actions.Earlier(c.To, to).Sub(actions.Later(c.From, from)); d > 0 {
			part := new(big.Rat).SetInt64(c.W)
			total.Add(total, part.Mul(part, big.NewRat(int64(d), int64(time.Hour)*1000)))
		}
	}
	return total
}
