// Package recur expands recurrence rules (RFC 5545 3.3.10, 3.8.5.3) on wall-clock time.
//
// A rule is walked period by period from the first one that can matter, so its age costs nothing; every period and every
// candidate is paid for out of a [Budget], so a rule that never matches, or matches too often, ends in [ErrBudget] and not
// in a search without end. The days of a period are worked out here for the common shapes and by rrule-go for the rest
// (library.go says where that library is wrong or cannot, and what is done about it); times of day, BYSETPOS, INTERVAL,
// COUNT and UNTIL are ours throughout.
//
// Where the text leaves room: a DTSTART that does not match its rule is no instance of it, as in libical; what a rule
// does not say about the weekday, day or month is taken from DTSTART; YEARLY with BYMONTHDAY and no BYMONTH means every
// month, as in the table of 3.3.10 and in dateutil; BYWEEKNO weeks belong to the year that ISO 8601 counts them in; rules of hours, minutes
// and seconds step in elapsed time and are filtered by what the wall clock then shows.
package recur
