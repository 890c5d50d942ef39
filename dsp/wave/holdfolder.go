package wave

import (
	"context"
	"fmt"
	"os"
	"time"
)

// HoldFolder waits until no other process holds a folder, and holds it until release is
// called or the process ends, however it ends. Where a file system has no locks it holds
// nothing. The error is the context's, or that of opening the folder.
func HoldFolder(ctx context.Context, folder string) (release func(), err error) {
	f, err := os.Open(folder)
	if err != nil {
		return nil, err
	}
	const interval = 20 * time.Millisecond // short beside what a holder does
	for locksWork && !lockFile(f) {
		if !lockedByOther(f) {
			break // taken at the second try, or there are no locks here
		}
		select {
		case <-ctx.Done():
			f.Close()
			return nil, fmt.Errorf("%s: another process holds this folder: %w", folder, ctx.Err())
		case <-time.After(interval):
		}
	}
	return func() { f.Close() }, nil
}
