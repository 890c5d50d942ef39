//go:build unix

package instrument

import (
	"os/exec"
	"runtime"
	"syscall"
)

// endWithChildren makes a command's timeout end the programs that it started as well: they
// share a process group.
func endWithChildren(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	endWithParent(cmd.SysProcAttr)
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
}

// runAsChild runs the command. Afterwards it ends every program that the command has left
// running.
func runAsChild(cmd *exec.Cmd) error {
	// The system ends a child together with the thread that started it, so the thread is kept.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	err := cmd.Run()
	if cmd.Process != nil {
		syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
	}
	return err
}
