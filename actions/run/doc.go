// Package run carries a plan out: it owns time, reads the points, sends each step when it is due, reads it back, tries
// again, and gives every held point back, whatever failed in between.
package run
