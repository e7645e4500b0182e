//go:build unix

package notify

import (
	"errors"
	"os/exec"
	"syscall"
)

// ownGroup starts c in a process group of its own, and has its end end the whole group.
func ownGroup(c *exec.Cmd) {
	c.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	c.Cancel = func() error {
		if err := syscall.Kill(-c.Process.Pid, syscall.SIGKILL); err != nil && !errors.Is(err, syscall.ESRCH) {
			return err
		}
		return nil
	}
}

// endGroup ends what is left of a command's process group.
func endGroup(pid int) { _ = syscall.Kill(-pid, syscall.SIGKILL) } // mostly nothing is left
