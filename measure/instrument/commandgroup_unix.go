//go:build unix

package instrument

import (
	"os/exec"
	"syscall"
)

// endWithChildren makes the end of a command's time the end of the programs too
// that it started: they share a process group.
func endWithChildren(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
}
