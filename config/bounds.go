package config

import (
	"math"

	"spillway/actions"
)

// An edge is one end of the numbers that satisfy a guard; open where the number itself does not.
type edge struct {
	at   float64
	open bool
}

// bounds returns the least and the greatest number that satisfy a guard on a number.
func bounds(g actions.Guard) (low, high edge) {
	x := g.Value.Number
	low, high = edge{math.Inf(-1), true}, edge{math.Inf(1), true}
	switch g.Op {
	case "=":
		low, high = edge{at: x}, edge{at: x}
	case "<":
		high = edge{x, true}
	case "<=":
		high = edge{at: x}
	case ">":
		low = edge{x, true}
	case ">=":
		low = edge{at: x}
	}
	return low, high
}

// above reports whether nothing lies between low and high.
func above(low, high edge) bool {
	return low.at > high.at || low.at == high.at && (low.open || high.open)
}
