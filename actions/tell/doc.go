// Package tell tells someone of faults, and of windows that are taken: by a webhook, by mail, over MQTT.
//
// It promises: each fault is told once, and once more when it is in order again; what cannot be delivered is tried again
// with growing pauses; and what was told is remembered over restarts. A fault must last a while before it is told, and be
// gone for a while before the all-clear, so that one that comes and goes is one message and not twenty.
//
// An attempt is kept before it is made and its outcome after it, so that a crash between the two tells a thing twice
// rather than never. What is told twice carries the same ID.
//
// The decisions are in book.go, which is given the time and does no I/O; [Teller] owns the clock and a goroutine for each
// receiver. Nothing runs while nothing changes.
//
// Titles of windows come from calendars that others write. They go into messages as one printable line, and never into a
// header that they could end.
//
// It leaves to others: what a fault is. It takes them as a [Report].
package tell
