// Package httplink speaks to boxes over HTTP/1.1 (RFC 9110, RFC 9112), plain or under TLS.
//
// A command is one request: PUT unless the address says otherwise, and any 2xx accepts it. It goes over a connection of
// its own, because net/http sends a request again by itself when a kept connection turns out to be dead and the method
// promises to be harmless, which a box that is switched by GET does not keep. Redirects are not followed on writes: a
// command belongs to the box that is configured. When the connection could not be made the command is Unreachable; once
// it was made, silence is Unknown.
//
// A path is taken relative to the link's url, which counts as a folder; a path cannot lead to another host. The body of
// an address is a pattern, see [link.Body]; without one the bare wire form is sent, or nothing where {value} stands in
// the path or the method is GET or DELETE. A Content-Type of application/x-www-form-urlencoded makes it a form.
//
// Where the box ends a value by itself, {seconds}, {minutes} and {until} in path, body and headers say when, see
// [link.Termed].
//
// Reading is polite: one exchange at a time on a link, over a kept connection, and readings of one path that wait
// together share one answer. A box that answers 429 or 503 with Retry-After is left alone for that long, a minute at
// most. Answers are read up to a mebibyte. Proxies of the environment are not used: boxes are near.
//
// Authentication is basic or, where the link asks, digest (RFC 7616, where a first request without credentials fetches
// the challenge and is not carried out), or a bearer token (RFC 6750).
package httplink
