package stimulus

import (
	"fmt"
	"math/bits"

	"github.com/boothbench/boothbench/dsp"
)

// MLS is a maximum-length sequence: 2^Order − 1 samples of +peak or −peak, whose periodic
// autocorrelation is an impulse with −1 at every other lag (Golomb, "Shift Register Sequences",
// 1967). It has no fades, which would break the periodicity.
type MLS struct {
	Order    int // 10 to 20
	Periods  int // number of repetitions; the first lets a device settle
	PeakDBFS float64
	Channels int // 0 means one; all have the same sequence
}

// mlsTaps are the stages that are fed back, one primitive polynomial for each order from 10;
// bit k−1 is stage k. (from memory; the test counts the period of each)
var mlsTaps = [...]uint32{
	taps(10, 7), taps(11, 9), taps(12, 11, 10, 4), taps(13, 12, 11, 8), taps(14, 13, 12, 2), taps(15, 14),
	taps(16, 15, 13, 4), taps(17, 14), taps(18, 11), taps(19, 18, 17, 14), taps(20, 17),
}

const leastMLSOrder, mostMLSOrder = 10, 20

func taps(stages ...int) uint32 {
	mask := uint32(0)
	for _, s := range stages {
		mask |= 1 << (s - 1)
	}
	return mask
}

// Kind is "mls".
func (m MLS) Kind() string { return "mls" }

// Period is the length of one sequence in frames.
func (m MLS) Period() int { return 1<<m.Order - 1 }

// Make returns the sequences at a rate in Hz.
func (m MLS) Make(rate int) (dsp.Block, error) {
	if m.Order < leastMLSOrder || m.Order > mostMLSOrder {
		return nil, &dsp.SettingError{Setting: "order", Found: fmt.Sprint(m.Order), Accepted: fmt.Sprintf("%d to %d", leastMLSOrder, mostMLSOrder)}
	}
	if err := firstError(checkFormat(rate, m.Channels), checkPeak("peak_dbfs", m.PeakDBFS), checkRange("periods", float64(m.Periods), 1, 100, "")); err != nil {
		return nil, err
	}
	peak, mask := dsp.DBToAmplitude(m.PeakDBFS), mlsTaps[m.Order-leastMLSOrder]
	plane := make([]float64, m.Period()*m.Periods)
	state := uint32(1)
	for n := range plane {
		plane[n] = peak
		if state&1 == 1 {
			plane[n] = -peak
		}
		feedback := uint32(bits.OnesCount32(state&mask) & 1)
		state = (state<<1 | feedback) & (1<<m.Order - 1)
	}
	return spread(plane, m.Channels, 0), nil
}
