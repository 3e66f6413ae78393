package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"spillway/actions/publish"
	"spillway/actions/settle"
)

// credits returns what the plan feed shows of credits: those that are due, or were until a few days ago.
func credits(results []settle.Result, now time.Time) []publish.Credit {
	states := map[settle.Payment]publish.CreditState{settle.Expected: publish.CreditDue, settle.Settled: publish.CreditSettled,
		settle.Short: publish.CreditShort, settle.Missing: publish.CreditMissing}
	var list []publish.Credit
	for i := range results {
		r := &results[i]
		state, shown := states[r.Payment(now)]
		if !shown || r.Credit == nil || !r.Credit.IsPositive() || r.ExpectedBy.Before(now.Add(-publishedPast)) {
			continue
		}
		c := publish.Credit{Window: r.Window.ID, Title: r.Window.Title, Start: r.Window.Start, End: r.Window.End, Due: r.ExpectedBy,
			Amount: settle.Money(*r.Credit, r.Currency), Currency: r.Currency, State: state}
		if r.Recorded != nil {
			c.Came = settle.Money(*r.Recorded, r.Currency)
		}
		c.Text = creditText(r, state)
		list = append(list, c)
	}
	return list
}

func creditText(r *settle.Result, state publish.CreditState) string {
	lines := []string{fmt.Sprintf("Gain %s, metered %s against a baseline of %s (%s).", settle.Figure(r.Gain), settle.Figure(r.Metered),
		settle.Figure(r.Baseline), r.Method)}
	for _, p := range r.Problems {
		lines = append(lines, "- "+clean(p))
	}
	if state != publish.CreditSettled {
		lines = append(lines, fmt.Sprintf("When it comes: spillway settle --paid %s=AMOUNT", r.Window.ID))
	}
	return strings.Join(lines, "\n")
}

// settleHourly has it looked once an hour whether there is something new to settle, and publishes what came of it and what
// has become due meanwhile.
func (d *daemon) settleHourly(ctx context.Context) {
	for {
		timer, stop := d.clock.After(time.Hour)
		select {
		case <-ctx.Done():
			stop()
			return
		case <-timer:
		}
		d.settled.hourly()
		d.republish()
	}
}

// republish publishes the newest state once more.
func (d *daemon) republish() {
	if d.runner == nil {
		return
	}
	d.publishing.Lock()
	defer d.publishing.Unlock()
	if s, _ := d.runner.Snapshot(); s.Plan != nil {
		d.publishNow(s)
		d.teller.See(d.report(s))
	}
}
