// Package zone maps wall-clock times to instants: in IANA zones, under the names that calendar programs give them, and in
// zones that a VTIMEZONE defines.
//
// A time in a spring gap takes the offset before the gap, a time in an autumn fold is the first of the two (RFC 5545
// 3.3.5). The machine's own zone is never used: names that would lead to it are unknown here. The zone database is the
// system's where it has one, else the one embedded in the program.
//
// A Zone remembers where it last looked, so one Zone is for one goroutine.
package zone
