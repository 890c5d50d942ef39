//go:build unix && !linux

package instrument

import "syscall"

// endWithParent does nothing: on these systems a command outlives a process that is killed.
func endWithParent(*syscall.SysProcAttr) {}
