package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"sync"

	"github.com/shopspring/decimal"

	"spillway/actions/journal"
)

// creditStore keeps the credits that came.
type creditStore interface {
	Get(ctx context.Context, key string) ([]byte, bool, error)
	Put(ctx context.Context, key string, value []byte) error
}

// keepCredits records credits that came, by window id: through the daemon where one runs, since two programs may not
// write one journal.
func keepCredits(ctx context.Context, state string, came map[string]decimal.Decimal) error {
	if running, err := ask(ctx, state, "/paid", came, nil); running || err != nil {
		return err
	}
	j, err := journal.Open(state, journal.Options{})
	if err != nil {
		return err
	}
	defer j.Close()
	return addCredits(ctx, j, came)
}

// recordPaid answers POST /paid: a JSON object of amounts by window id.
func recordPaid(s creditStore) http.HandlerFunc {
	var one sync.Mutex // reading, adding and writing belong together
	return func(w http.ResponseWriter, q *http.Request) {
		var came map[string]decimal.Decimal
		if err := json.NewDecoder(http.MaxBytesReader(w, q.Body, 1<<20)).Decode(&came); err != nil {
			http.Error(w, "the credits are not readable: "+err.Error(), http.StatusBadRequest)
			return
		}
		one.Lock()
		defer one.Unlock()
		if err := addCredits(q.Context(), s, came); err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		w.WriteHeader(http.StatusNoContent)
	}
}

// addCredits adds credits to those recorded before.
func addCredits(ctx context.Context, s creditStore, came map[string]decimal.Decimal) error {
	known, err := recordedCredits(ctx, s)
	if err != nil {
		return err
	}
	for id, amount := range came {
		known[id] = amount
	}
	raw, err := json.Marshal(known)
	if err != nil {
		return err
	}
	return s.Put(ctx, paidKey, raw)
}

// recordedCredits returns the credits that came, by window id.
func recordedCredits(ctx context.Context, s interface {
	Get(ctx context.Context, key string) ([]byte, bool, error)
}) (map[string]decimal.Decimal, error) {
	known := map[string]decimal.Decimal{}
	raw, ok, err := s.Get(ctx, paidKey)
	if err != nil || !ok {
		return known, err
	}
	if err := json.Unmarshal(raw, &known); err != nil {
		return nil, fmt.Errorf("read the recorded credits: %w", err)
	}
	return known, nil
}
