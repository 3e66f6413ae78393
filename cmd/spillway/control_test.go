package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"syscall"
	"testing"

	"spillway/actions/journal"
)

// Where no daemon listens the command acts alone; a folder that it may not enter is said, and not called a daemon's.
func TestUnanswered(t *testing.T) {
	for code, want := range map[syscall.Errno]string{
		syscall.ECONNREFUSED: "",
		syscall.ENOENT:       "",
		syscall.EACCES:       "state folder state: permission denied: run this as the user that Spillway runs as, or give the folder back to it",
	} {
		running, err := unanswered("state", &net.OpError{Op: "dial", Net: "unix", Err: os.NewSyscallError("connect", code)})
		if got := fmt.Sprint(err); running != (want != "") || err != nil && got != want || err == nil && want != "" {
			t.Errorf("%v: %v, %s, want %q", code, running, got, want)
		}
	}
}

// A daemon that is starting has the state, and cannot be asked yet.
func TestAskOrDo(t *testing.T) {
	held := &journal.HeldError{Folder: "state", By: "process 1"}
	other := errors.New("no")
	for name, c := range map[string]struct {
		asked []bool  // whether a daemon answers, one asking after the other
		alone []error // what doing it alone comes to
		want  error
	}{
		"it runs":                  {[]bool{true}, nil, nil},
		"none runs":                {[]bool{false}, []error{nil}, nil},
		"none runs, and it fails":  {[]bool{false}, []error{other}, other},
		"it starts":                {[]bool{false, false, true}, []error{held, held}, nil},
		"it starts, and ends then": {[]bool{false, false}, []error{held, nil}, nil},
	} {
		asked, alone := 0, 0
		err := askOrDo(t.Context(), func() (bool, error) { asked++; return c.asked[asked-1], nil }, func() error { alone++; return c.alone[alone-1] })
		if !errors.Is(err, c.want) || asked != len(c.asked) || alone != len(c.alone) {
			t.Errorf("%s: %v, asked %d times, tried alone %d times", name, err, asked, alone)
		}
	}
	over, cancel := context.WithCancel(t.Context())
	cancel()
	var is *journal.HeldError
	if err := askOrDo(over, func() (bool, error) { return false, nil }, func() error { return held }); !errors.As(err, &is) {
		t.Errorf("one that is given up gives %v", err)
	}
}
