//go:build unix

package instrument

import (
	"os/exec"
	"runtime"
	"syscall"
)

// endWithChildren makes the end of a command's time the end of the programs too
// that it started: they share a process group.
func endWithChildren(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	endWithParent(cmd.SysProcAttr)
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
}

// runAsChild runs the command; nothing that it started outlives it.
func runAsChild(cmd *exec.Cmd) error {
	// The system ends a child with the thread that started it, so this one stays.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	err := cmd.Run()
	if cmd.Process != nil {
		syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
	}
	return err
}
