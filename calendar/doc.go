// Package calendar turns iCalendar text into occurrences, and entries into iCalendar text (RFC 5545, RFC 5546, RFC 7986).
//
// It takes bytes and a range and returns values: it does no I/O beyond loading zones by name, names no clock and knows no
// device. [Read] and [Encode] are safe for concurrent use.
//
// A body goes through [spillway/calendar/scan], which finds its components and guards them; every event leaves a small
// record (record.go), which says whether its times may touch the range. Records are grouped by UID into the newest
// revision and its overrides (group.go); only what may touch the range is decoded (decode.go, dates.go) and expanded
// (expand.go) with [spillway/calendar/recur] and [spillway/calendar/zone].
//
// Where libraries and standards leave room, the policy is:
//
//   - A time in the spring gap takes the offset before it, a time in the autumn fold is the first of the two (RFC 5545
//     3.3.5). Days and weeks of a DURATION are nominal, hours and less exact (3.3.6). An end given by DTEND keeps its
//     wall-clock time over a clock change, and the occurrence has a note.
//   - Floating times are in X-WR-TIMEZONE where the calendar has it, else in the zone asked for; all-day events are from
//     midnight to midnight in the zone asked for.
//   - A TZID means the VTIMEZONE of its own VCALENDAR, then the name. An event whose zone is neither is shown and refused.
//   - Of several revisions of a UID the highest SEQUENCE counts, then the latest DTSTAMP (RFC 5546 2.1.4); of equal ones
//     each is an event of its own. METHOD:CANCEL and STATUS:CANCELLED take an event back; a cancelled master takes back
//     its overrides but for newer ones.
//   - An override is shown at its own time, also where its master has, or keeps, no such instance; one that cannot be read
//     takes its instance away. With RANGE=THISANDFUTURE it moves later instances by the wall clock of its own zone.
//   - A rule that cannot be read leaves the event's own start; a DTSTART that does not match its rule is no instance.
//   - What is broken in an event and does not decide when it is, or whether, is told and passed over.
package calendar
