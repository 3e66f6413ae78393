package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"spillway/actions"
	"spillway/actions/settle"
)

// parsePaid reads the --paid flags: amounts by window id.
func parsePaid(paid []string) (map[string]decimal.Decimal, error) {
	came := map[string]decimal.Decimal{}
	for _, s := range paid {
		id, amount, ok := strings.Cut(s, "=")
		d, err := decimal.NewFromString(strings.TrimSpace(amount))
		id = strings.TrimSpace(id)
		if !ok || id == "" || err != nil || len(amount) > 40 || d.Exponent() < -6 || d.Exponent() > 12 {
			return nil, usagef("--paid %s: write WINDOW=AMOUNT, such as 5gib3dyt2y=3.10", s)
		}
		if _, twice := came[id]; twice {
			return nil, usagef("--paid %s: window %s is given twice", s, id)
		}
		came[id] = d
	}
	return came, nil
}

// record keeps the credits that came and adds all of them to the books. A window that nobody knows is refused before
// anything is written.
func (l *ledger) record(ctx context.Context, came map[string]decimal.Decimal, b *settle.Books) (err error) {
	if b.Recorded, err = recordedCredits(ctx, l.kept); err != nil || len(came) == 0 {
		return err
	}
	for id := range came {
		if !slices.ContainsFunc(b.Windows, func(w actions.Window) bool { return w.ID == id }) {
			return usagef("--paid %s: no window with that id is known: 'spillway settle --json' lists them", id)
		}
	}
	for id, amount := range came {
		b.Recorded[id] = amount
	}
	return keepCredits(ctx, l.cfg.State, came)
}

// paidBack is how far back a window may lie for a credit to be recorded where there is no meter data.
const paidBack = 400 * 24 * time.Hour

// recordAlone records credits where there is nothing to settle with.
func (l *ledger) recordAlone(ctx context.Context, calendars []string, came map[string]decimal.Decimal) error {
	windows, err := l.windows(ctx, calendars, l.now.Add(-paidBack), l.now)
	if err != nil {
		return err
	}
	if err := l.record(ctx, came, &settle.Books{Windows: windows}); err != nil {
		return err
	}
	for _, w := range windows {
		if amount, ok := came[w.ID]; ok {
			fmt.Fprintf(l.app.Out, "%s, %s: %s recorded; there is no meter data to compare it with\n", oneLine(w.Title),
				settle.When(w.Start, w.End, l.cfg.Premises.Zone), amount)
		}
	}
	return nil
}
