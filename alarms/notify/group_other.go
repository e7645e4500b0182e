//go:build !unix

package notify

import "os/exec"

// ownGroup does nothing: this system has no process groups; the command alone is ended.
func ownGroup(*exec.Cmd) {}

func endGroup(int) {}
