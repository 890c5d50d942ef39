package instrument

import (
	"sync"

	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// sweptWire is what responses to a sweep are divided by, and what a device without effect
// reads: the same for all responses to one sweep.
type sweptWire struct {
	sent          []float64
	divided       *deconvolver // of which each use has a copy
	rate          int
	low, high     float64 // Hz, from which to which it is exact
	before, after int     // frames of the stretch that is read, about the response
	wire          impulseResponse
	plain         *FrequencyResponse
}

// newSweptWire makes them; a response may be longer than the sweep by so many frames.
func newSweptWire(s stimulus.Swept, rate, after, longer int) (*sweptWire, error) {
	sent, err := s.Make(rate)
	if err != nil {
		return nil, err
	}
	w := &sweptWire{sent: sent[0], rate: rate, after: after}
	w.divided, w.low, w.high = sweepDeconvolver(s, w.sent, longer, rate)
	w.before = int(min(0.9*s.HarmonicAdvance(2)*float64(rate), float64(rate)))
	// The band's edges ring for longer than the stretch: what the cut takes from
	// them it takes from a device without effect as well, and is divided out.
	w.wire = w.divided.plain()
	w.plain = w.stretch(w.wire)
	return w, nil
}

// stretch is the response in the part of an impulse response that is read.
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

// sweptWires keeps the last one: a chain's filters are proved by one sweep. It takes 17 MB
// for a sweep of 10 s at 48 kHz.
var sweptWires keptWire

type keptWire struct {
	mutex sync.Mutex
	key   sweptKey
	kept  *sweptWire
}

// sweptKey is all that a sweptWire depends on; its first channel is all that counts.
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
	k.mutex.Lock() // and who needs the same waits for it
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
