package main

import (
	"context"
	"time"

	"spillway/actions"
	"spillway/actions/meter"
	"spillway/actions/settle"
)

// made adds to results which devices made the gain, as far as their readings were recorded and are still kept.
func (l *ledger) made(ctx context.Context, results []settle.Result) error {
	p := &l.cfg.Premises
	for i := range results {
		r := &results[i]
		if r.Window.End.Before(l.now.Add(-keepReadings)) || r.Window.Start.After(l.now) {
			continue
		}
		readings := map[actions.Ref][]meter.Sample{}
		for j := range p.Devices {
			for k := range p.Devices[j].Points {
				pt := &p.Devices[j].Points[k]
				if pt.Write != nil || pt.Read == nil {
					continue
				}
				kept, err := l.kept.Readings(ctx, pt.Ref, r.Window.Start.Add(-5*time.Minute), r.Window.End.Add(5*time.Minute))
				if err != nil {
					return err
				}
				for _, s := range kept {
					if s.Value.IsNumber() {
						readings[pt.Ref] = append(readings[pt.Ref], meter.Sample{At: s.At, Value: s.Value.Number})
					}
				}
			}
		}
		r.Made, r.Peak = settle.MadeBy(r.Window, p, readings), settle.PeakOf(r.Window, p, readings)
	}
	return nil
}
