// Package publish turns plan and switching log into calendar entries, and keeps the published calendar up to date: over
// HTTP, in a file, in a CalDAV collection.
//
// [Entries] is a function of its arguments: no clock, no I/O. An entry's UID is made from the window's id and the phase,
// or from the step's id, and from nothing else. [Revise] moves SEQUENCE, LAST-MODIFIED and DTSTAMP (RFC 5545 3.8.7) when
// the content of an entry moves and not otherwise, so that the same plan gives the same bytes, and a reader that asks
// again is told that nothing changed (RFC 9110 13.1.2).
//
// Titles come from calendars that others write, and so may hold anything; package calendar makes them fit to print. The
// feed is for reading: people's programs fetch it when they like, some once a day.
package publish
