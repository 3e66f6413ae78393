// Package actions holds the words that the rest of the program speaks in: what stands on the premises (supply, links,
// devices, points), what is wanted of it (procedures, statements, windows), what will be done (plans, steps) and what is
// true now (standing).
//
// It is types and small pure functions on them; it does no I/O, names no clock and starts nothing. Times are UTC
// instants. Units stand in the names where a type lacks them: W, Wh, A, L, K, percent.
//
// The layering of holds follows the priority array of ASHRAE 135 (clause 19): several claims may lie on one point, the
// strongest rules, and when the last is gone the point returns to its normal (there: the relinquish default).
package actions
