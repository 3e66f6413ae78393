package linktest

import (
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

// lends: a kind that can give a value an end gives it like any other, and takes it back by a write.
func lends(b *bench) {
	lender, ok := b.begin().(link.Lender)
	if !ok {
		b.Skip("this kind lends nothing")
	}
	term := link.Term{For: time.Hour, Until: time.Now().Add(time.Hour)}
	for _, n := range []float64{1234, 1235} {
		if err := lender.Lend(b.Context(), b.number, actions.Number(n), term); err != nil {
			b.Fatalf("lend %s = %v: %v", b.number.Ref, n, err)
		}
		b.reads(b.number, actions.Number(n))
	}
	b.write(b.number, actions.Number(0))
	b.reads(b.number, actions.Number(0))
	b.fails(lender.Lend(ended(), b.number, actions.Number(1), term), link.Unreachable)
	b.fails(lender.Lend(b.Context(), b.number, actions.Number(-1), term), link.Impossible)
}
