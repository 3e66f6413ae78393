// Package page is the status page: what is held, what comes next, the drawing, the switching log, what was gained, the
// health of feeds and links, and two acts, each behind a confirmation: put everything back now, and stand a window down
// that is still ahead.
//
// It promises: the page is whole without scripts, takes nothing from elsewhere (RFC 9110 origins other than its own are
// shut out by a strict content security policy, W3C CSP Level 3), and is live by server-sent events (WHATWG HTML 9.2)
// where scripts are on. Nothing moves by reading. An act needs, each on its own enough to refuse it: a session or a
// token where locks are set, a request of the same origin, and a form that this page made for this browser. Text from
// calendars and devices is text, never markup.
//
// Where no lock is set it serves only this machine: [Exposed] refuses any other address. The Host of a request must then
// be a name of this machine, so that a page elsewhere whose name is pointed here (DNS rebinding) reads nothing.
//
// It leaves to others: where the state comes from, what an act does, the plan feed under its secret path, and listening.
package page
