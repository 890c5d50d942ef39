package conversation

import "math"

// bleed is the power of a voice in another microphone over that in its own.
//
// It is measured in two ways. The part that is coherent with the voice's own microphone, bin
// by bin, is free of noise and of other voices, but lacks late echoes, and high frequencies
// while a head moves. The power of the other microphone over that in the pauses lacks
// nothing, but includes every other sound while the voice speaks. So the first is the least
// possible bleed and the second the most. Where they differ by more than the noise
// explains, the second is taken, and its standard error includes half the difference;
// elsewhere the first is taken, and its standard error includes all of it.
type bleed struct {
	ratio     float64
	deviation float64 // standard error over the ratio
	shared    float64 // power that both microphones have in the pauses
	voice     float64 // power of the voice in the other microphone: the coherent part
	nothing   float64 // standard error of that where nothing is coherent
}

const (
	surelyMore     = 3.0  // standard errors
	noiseChanges   = 0.05 // part of the noise's power by which it may be another than in the pauses
	modelDeviation = 0.01 // of powers, 0.04 dB: what of an echo lies in windows that were not chosen
)

// bleedOf is the bleed from windows in which a voice speaks alone and from pauses.
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
	if gap := most - least; gap > surelyMore*math.Hypot(chance, deviation/own) {
		b.ratio = most
		b.deviation = math.Hypot(math.Sqrt(overlapped*scatter)/n/own, gap/2)/most + modelDeviation
	} else {
		b.ratio = least
		b.deviation = math.Hypot(deviation/own, max(0, gap))/least + modelDeviation
	}
	return b
}
