// Package feed is the calendar's rim: it polls one iCalendar source and keeps the last good copy of it.
//
// A source is an address over http or https (webcal too), a file, a folder of .ics files, or a CalDAV collection
// (RFC 4791). [Feed.Poll] asks it once and returns the copy in force: one stream that calendar.Read takes, its hash,
// when it was last good, and when to ask again. It promises:
//
//   - A poll that fails in any way (no answer, 404, 410, 500, an HTML page, no bytes, an end before END:VCALENDAR, more
//     than MaxBody) takes nothing away: the last good copy stays in force, also over a restart where a [Store] is given.
//     A complete calendar, folder or collection without events is a good poll.
//   - In a folder or collection one bad member does not spoil the others; its own last good copy stays in force.
//   - An unchanged source costs little: If-None-Match or If-Modified-Since (RFC 9110 13.1), time and size of a file, or
//     sync-token (RFC 6578 4) or getctag of a collection. A server that knows none of these is compared as it is read.
//     Once a day the whole is read all the same, since some servers answer "not modified" to everything.
//   - What a server sends is bounded: bytes after decompression, redirects, time, and the shape of its XML.
//   - Credentials go to the configured host only. A redirect never leads from https to http, to a link-local or
//     metadata address, nor from a public host to a private or loopback one; what counts is the address dialled, so a
//     name that resolves there is refused as well.
//   - Staleness is measured ([Result.Age]) and never acted on.
//
// Decisions where standards are silent. webcal:// is no registered protocol: it means https, except for loopback and
// the local network (private addresses, names without a dot, .local, .lan, .internal, .home.arpa) and where a port
// other than 443 or 8443 is written, where it means http; webcals:// is https, caldav:// http and caldavs:// https. An
// empty folder is an empty calendar. Names that begin with a dot, and folders in folders, are passed over. With CAFile,
// certificates signed by the authorities in it are trusted and no others.
//
// The package dials and reads files, and looks at the wall clock only through Options.Now (file times apart, which are
// the file system's own). A [Feed] is safe for concurrent use; feeds share nothing.
package feed
