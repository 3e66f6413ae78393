// Package linktest is the one conformance suite that every kind of link passes. A driver's test describes a far end that
// misbehaves on demand ([Peer]) and calls [Run]; the suite opens the link and checks what the runner relies on: that a
// command is sent once, that errors carry the right class and fit one line, that a lost conversation is found again
// under a new session, that whatever is sent costs bounded memory, and that nothing is left behind after Close.
package linktest
