// Package plan turns windows into a plan: every command that is still to be sent, when and why, with the power drawn.
//
// Make is a function of its input and nothing else: it names no clock, does no I/O and draws no random numbers, so the
// same input gives the same plan, byte for byte, and the order in which windows are given changes nothing.
//
// The value of every point as a function of time comes first, the steps from its changes second. Each statement of a
// window is a hold on its point from one instant to another; the strongest hold on a point at an instant rules it (see
// [stronger]); with none the point is at its normal. Nested, overlapping and touching windows come out right because
// nothing else decides.
//
// What has happened is told by the standing. A step is planned at now whenever the standing does not surely have what
// should rule now: that one rule covers a late start, a lead-in that was missed, a crash between a command and its
// outcome, a window that was called off, a guard that came true, and a restore that is owed.
//
// The stages, each in its file: window.go (windows to holds), guard.go, leadin.go (when lead-ins go), line.go (one point
// over time), catchup.go (now), least.go (least times), headroom.go (make_room), sequence.go (one link's order and spacing),
// round.go, auto.go and shares.go (auto; share.go says why that is the best there is, pricing.go, pack.go and bound.go search),
// waitdrops.go and over.go (the limit while commands are under way), profile.go (power and energy), why.go.
package plan
