// Package scan walks iCalendar text (RFC 5545 3.1, 3.4) before anything is parsed: it finds the components, guards them,
// and hands on only those that a reader of events needs, as bytes.
//
// It promises bounded work and memory on any input. Nesting, line length, parameters and lines per component are limited
// (limits.go); what passes a limit costs that component and is reported, never the body. A component that is opened and
// not closed, or closed under a wrong name, costs nothing beside it. Names are read in any letter case. The bytes it
// hands out are part of the body; it copies only where a line is folded.
//
// Content lines are split here; a line whose parameters are quoted or escaped is split by golang-ical, which is only
// ever given one guarded line head. Of the whole components it would read, that library loses what a feed's reader needs
// (v0.3.4): it has no line numbers, gives up the whole body for one bad line, joins the lists of CATEGORIES past
// telling apart, and takes quadratic time on parameters and unbounded stack on nesting.
package scan
