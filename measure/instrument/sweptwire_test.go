package instrument

import (
	"slices"
	"sync"
	"testing"

	"github.com/boothbench/boothbench/measure/stimulus"
)

// A kept wire of a sweep equals a new one, whatever sweep, rate or tail was used before, and
// with several goroutines at once.
func TestKeptSweptWireEqualsANewOne(t *testing.T) {
	type asked struct {
		sweep       stimulus.Swept
		rate, after int
	}
	sweep := stimulus.Sweep{FromHz: 20, ToHz: 3000, Seconds: 1, PeakDBFS: -20}
	louder, stereo := sweep, sweep
	louder.PeakDBFS, stereo.Channels = -10, 2
	var all []asked
	for _, s := range []stimulus.Swept{sweep, louder, stereo, stimulus.SynchronisedSweep{FromHz: 20, ToHz: 3000, Seconds: 1, PeakDBFS: -20}} {
		all = append(all, asked{s, 8000, 4000}, asked{s, 8000, 8000}, asked{s, 9000, 4000})
	}
	var kept keptWire
	var group sync.WaitGroup
	for range 2 {
		group.Go(func() {
			for _, a := range slices.Concat(all, all) {
				got, err := kept.of(a.sweep, a.rate, a.after, a.rate)
				if err != nil {
					t.Error(err)
					return
				}
				want, err := newSweptWire(a.sweep, a.rate, a.after, a.rate)
				if err != nil {
					t.Error(err)
					return
				}
				ir, anew := got.deconvolver().divide(want.sent), want.deconvolver().divide(want.sent)
				if !slices.Equal(got.sent, want.sent) || !slices.Equal(got.plain.Gain, want.plain.Gain) || !slices.Equal(ir.h, anew.h) {
					t.Errorf("%+v: what was kept is of another sweep", a)
				}
			}
		})
	}
	group.Wait()
}
