//go:build !unix

package command

import "os/exec"

// ownGroup leaves cmd as it is: there are no process groups here, and only the program itself is killed.
func ownGroup(*exec.Cmd) {}

func killGroup(*exec.Cmd) {}
