package season

import (
	"runtime"
	"sync/atomic"
	"testing"
)

// Each take is made and measured on the goroutine of its job, in every way that a season makes
// one. So --jobs is the number of processors that a season uses, and two takes at a time do not
// wait for each other.
func TestTakesStayOnOneGoroutine(t *testing.T) {
	for name, p := range foreignPlans(t) {
		if p.Conversations != nil { // conversations are measured after their takes
			continue
		}
		before := runtime.NumGoroutine()
		var most atomic.Int64
		stop, stopped := make(chan struct{}), make(chan struct{})
		go func() {
			defer close(stopped)
			for {
				select {
				case <-stop:
					return
				default:
					most.Store(max(most.Load(), int64(runtime.NumGoroutine())))
					runtime.Gosched()
				}
			}
		}()
		runAll(t, p)
		close(stop)
		<-stopped
		if extra := most.Load() - int64(before); extra > 2 { // the goroutine that counts, and the job's
			t.Errorf("%s: %d goroutines beside the caller's, want the job's alone", name, extra-1)
		}
	}
}
