package main

import (
	"context"
	"time"

	"spillway/actions/journal"
	"spillway/actions/meter"
	"spillway/actions/settle"
	"spillway/config"
)

func (a *app) meterData(cfg *config.Config, named []string) (*meter.Series, error) {
	return a.ledger(cfg, &journal.Reader{}, time.Now()).series(context.Background(), named)
}

func remembered(ctx context.Context, state string, b *settle.Books, from, to time.Time) error {
	j, err := journal.OpenReadOnly(state)
	if err != nil {
		return err
	}
	defer j.Close()
	l := &ledger{kept: j}
	b.Windows, err = l.remembered(ctx, b.Windows, from, to)
	return err
}

func (a *app) termsNeed(ctx context.Context, cfg *config.Config, b *settle.Books, from, to time.Time) error {
	return a.ledger(cfg, &journal.Reader{}, time.Now()).termsNeed(ctx, b, from, to)
}
