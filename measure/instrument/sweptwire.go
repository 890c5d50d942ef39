package instrument

import (
	"sync"

	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// sweptWire is what all responses to one sweep share: the sweep to divide them by, and the
// reading of a device without effect.
type sweptWire struct {
	sent          []float64
	divided       *deconvolver // each use takes a copy
	rate          int
	low, high     float64 // Hz, between which it is exact
	before, after int     // frames of the stretch that is used, around the response
	wire          impulseResponse
	plain         *FrequencyResponse
}

// newSweptWire makes it; a response may be longer than the sweep by a number of frames.
func newSweptWire(s stimulus.Swept, rate, after, longer int) (*sweptWire, error) {
	sent, err := s.Make(rate)
	if err != nil {
		return nil, err
	}
	w := &sweptWire{sent: sent[0], rate: rate, after: after}
	w.divided, w.low, w.high = sweepDeconvolver(s, w.sent, longer, rate)
	w.before = int(min(0.9*s.HarmonicAdvance(2)*float64(rate), float64(rate)))
	// The band's edges ring for longer than the stretch. The cut has the same effect on a
	// device without effect, and division removes it.
	w.wire = w.divided.plain()
	w.plain = w.stretch(w.wire)
	return w, nil
}

// stretch is the frequency response of the part of an impulse response that is used.
func (w *sweptWire) stretch(ir impulseResponse) *FrequencyResponse {
	x, from := ir.part(ir.largest(), w.before, w.after)
	return responseOf(x, from, w.rate, w.low, w.high)
}

// deconvolver divides responses, for one goroutine.
func (w *sweptWire) deconvolver() *deconvolver {
	d := *w.divided
	d.fft = spectra.SameFFT(d.fft)
	return &d
}

// sweptWires keeps the last one: the filters of a chain are proved with one sweep. It takes 17
// MB for a sweep of 10 s at 48 kHz.
var sweptWires keptWire

type keptWire struct {
	mutex sync.Mutex
	key   sweptKey
	kept  *sweptWire
}

// sweptKey is everything that a sweptWire depends on; only the sweep's first channel matters.
type sweptKey struct {
	sweep               any
	rate, after, longer int
}

func (k *keptWire) of(s stimulus.Swept, rate, after, longer int) (*sweptWire, error) {
	key := sweptKey{nil, rate, after, longer}
	switch v := s.(type) {
	case stimulus.Sweep:
		v.Channels = 1
		key.sweep = v
	case stimulus.SynchronisedSweep:
		v.Channels = 1
		key.sweep = v
	default: // a sweep that may change is not kept
		return newSweptWire(s, rate, after, longer)
	}
	k.mutex.Lock() // a second user of the same sweep waits for it
	defer k.mutex.Unlock()
	if k.kept == nil || k.key != key {
		made, err := newSweptWire(key.sweep.(stimulus.Swept), rate, after, longer)
		if err != nil {
			return nil, err
		}
		k.key, k.kept = key, made
	}
	return k.kept, nil
}
