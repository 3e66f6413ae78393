// Package civil holds dates and wall-clock times that know no zone, and the reading of RFC 5545 date values.
//
// A [Wall] is what a clock on the wall shows, counted in seconds as if every day had 86,400 of them. Recurrence runs on
// walls; package zone maps them to instants. The calendar is the proleptic Gregorian one, years 1 to 9999, which is all
// that RFC 5545 3.3.4 can write.
package civil
