// Package calendar turns iCalendar text into occurrences, and entries into iCalendar text (RFC 5545, RFC 7986).
//
// It takes bytes and a range and returns values: it does no I/O, names no clock and knows no device. Where libraries
// and standards leave room, the policy is: a time in the spring gap takes the offset before it, a time in the autumn
// fold is the first of the two (RFC 5545 3.3.5); days and weeks of a DURATION are nominal, hours and less exact (3.3.6);
// a recurring event keeps its wall-clock end over a clock change.
package calendar
