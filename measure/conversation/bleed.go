package conversation

import "math"

// bleed is the power of a voice in another microphone, relative to that in its own.
//
// It is measured in two ways. The first is the power that is coherent with the voice's own
// microphone, bin by bin. It contains no noise and no other voices, but misses late echoes, and
// high frequencies while a head moves. The second is the power of the other microphone less
// that in the pauses. It misses nothing, but includes every other sound while the voice speaks.
// So the true bleed lies between the first and the second. Where they differ by more than the
// noise explains, the second is used, and its standard error includes half the difference.
// Otherwise the first is used, and its standard error includes the whole difference.
type bleed struct {
	ratio     float64
	deviation float64 // standard error divided by ratio
	shared    float64 // coherent power of both microphones in the pauses
	voice     float64 // coherent power of the voice in the other microphone
	nothing   float64 // standard error of voice if nothing is coherent
}

const (
	significantGap = 3.0  // standard errors
	noiseChanges   = 0.05 // share of the noise's power by which it may differ from that in the pauses
	modelDeviation = 0.01 // of power ratios, 0.04 dB: from the part of echoes in windows that were not chosen
)

// bleedOf measures the bleed from windows in which a voice speaks alone, and from pauses.
func bleedOf(alone, quiet *cross) (b bleed) {
	var deviation, own float64
	b.voice, deviation, b.nothing, own = alone.coherent()
	var noiseOwn, noiseOther float64
	b.shared, _, _, noiseOwn = quiet.coherent()
	for _, p := range quiet.other {
		noiseOther += p / float64(len(quiet.other))
	}
	own -= noiseOwn
	least := b.voice / own
	n, more := float64(alone.count), 0.0
	for _, p := range alone.other {
		more += (p - noiseOther) / n
	}
	most := more / own
	scatter, noise := 0.0, 0.0
	for k := range alone.other {
		d := alone.other[k] - noiseOther - most*(alone.own[k]-noiseOwn)
		scatter += d * d
	}
	for _, p := range quiet.other {
		noise += (p - noiseOther) * (p - noiseOther) / float64(len(quiet.other))
	}
	chance := math.Hypot(math.Sqrt(overlapped*noise/n), noiseChanges*noiseOther) / own
	if gap := most - least; gap > significantGap*math.Hypot(chance, deviation/own) {
		b.ratio = most
		b.deviation = math.Hypot(math.Sqrt(overlapped*scatter)/n/own, gap/2)/most + modelDeviation
	} else {
		b.ratio = least
		b.deviation = math.Hypot(deviation/own, max(0, gap))/least + modelDeviation
	}
	return b
}
