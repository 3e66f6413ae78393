// Package command reaches devices through programs: url "exec:", one run of a program for each exchange.
//
// A command runs the argument list of its address, without a shell, and is accepted by exit status 0. A reading is the
// standard output of its program. {value} stands for the wire form; a value that begins with "-" is refused where it
// would stand as an argument of its own, so that no value becomes an option.
//
// The program gets PATH, HOME, LANG, TZ and TMPDIR of this process and what the link configures, nothing else: what
// Spillway knows of secrets is not for it. Its standard input is empty. It runs in a process group of its own, which is
// killed whole when its time is over; that a killed command arrived is Unknown. One program runs at a time on a link.
//
// A program that cannot be started is Unreachable. Output is kept up to a mebibyte, and a program that writes more is
// killed; what it says on standard error is shown shortened.
package command
