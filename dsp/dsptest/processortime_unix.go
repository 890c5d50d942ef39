//go:build unix

package dsptest

import (
	"syscall"
	"time"
)

func init() {
	processorTime = func() time.Duration {
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			panic(err) // never fails for this process
		}
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
}
