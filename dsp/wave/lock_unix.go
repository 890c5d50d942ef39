//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package wave

import (
	"errors"
	"os"
	"syscall"
)

const locksWork = true

// lockFile takes the lock of an open file, which lasts until it is closed. It is
// false if another holds it, or where the file system has no locks.
func lockFile(f *os.File) bool { return flock(f) == nil }

// lockedByOther reports the first of these cases.
func lockedByOther(f *os.File) bool { return errors.Is(flock(f), syscall.EWOULDBLOCK) }

func flock(f *os.File) error {
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err != syscall.EINTR {
			return err
		}
	}
}

// ownedByUs reports whether the caller owns a file.
func ownedByUs(info os.FileInfo) bool {
	s, ok := info.Sys().(*syscall.Stat_t)
	return ok && int(s.Uid) == os.Getuid()
}

// keepOwner gives a file the owner and group of another, each where the system lets
// it.
func keepOwner(f *os.File, other os.FileInfo) {
	want, ok := other.Sys().(*syscall.Stat_t)
	now, err := f.Stat()
	if !ok || err != nil {
		return
	}
	have, ok := now.Sys().(*syscall.Stat_t)
	if !ok {
		return
	}
	if have.Gid != want.Gid {
		f.Chown(-1, int(want.Gid))
	}
	if have.Uid != want.Uid {
		f.Chown(int(want.Uid), -1)
	}
}
