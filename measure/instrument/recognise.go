package instrument

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
)

const (
	// recogniseMs is the length of the stretch by which a recording is recognised: the loudest
	// part of the sound that was played.
	recogniseMs = 1000
	// leastRecognised is the least correlation of a recording that holds the stretch. It is 0.5
	// or more for sound that a limiter has reduced by 20 dB, and less than 0.2 for a different
	// sound of that length. (tests)
	leastRecognised = 0.3
)

// Recognise returns an error unless the recording holds the sound that was played: its loudest
// second somewhere in each channel, at any level and polarity.
func (d *Recorded) Recognise() error {
	file, recorded, err := d.open()
	if err != nil {
		return err
	}
	defer file.Close()
	defer recorded.Close()
	if IsStimulus(recorded) && !IsStimulus(file) {
		return inReverse(d)
	}
	if err := sameFormat(d.Recording, recorded.Format(), file.Format()); err != nil {
		return err
	}
	played, err := storeAll(file)
	if err != nil {
		return err
	}
	defer played.Close()
	sound, err := storeAll(recorded)
	if err != nil {
		return err
	}
	defer sound.Close()
	for c := range played.Channels() {
		plane, err := played.Plane(c)
		if err != nil {
			return err
		}
		stretch := loudest(plane, dsp.Frames(recogniseMs, file.Format().Rate))
		if len(stretch) == 0 {
			continue // a silent channel cannot be recognised
		}
		if plane, err = sound.Plane(c); err != nil {
			return err
		}
		if found := searchFor(plane, stretch); !(found.similarity >= leastRecognised) {
			return fmt.Errorf("%s is not a recording of %s: the loudest second of channel %d was searched for, and its largest correlation is %.2f, accepted: %g or more; name the sound that was played, or record again",
				d.Recording, d.Stimulus, c+1, found.similarity, leastRecognised)
		}
	}
	return nil
}

// loudest is the stretch of a sound with the most energy; a silent sound has none.
func loudest(x []float64, frames int) []float64 {
	frames = min(frames, len(x))
	running, most, from := 0.0, 0.0, -1
	for n, v := range x {
		running += v * v
		if n >= frames {
			running -= x[n-frames] * x[n-frames]
		}
		if n >= frames-1 && running > most*(1+1e-9) {
			most, from = running, n-frames+1
		}
	}
	if from < 0 || math.IsNaN(most) {
		return nil
	}
	return x[from : from+frames]
}
