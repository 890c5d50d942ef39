package dsp

import "github.com/boothbench/boothbench/dsp/vector"

// DeEsserSettings describes a dynamic bell controlled by the level of the
// sibilant band.
type DeEsserSettings struct {
	CentreHz      float64 // centre of the bell that is lowered
	Q             float64 // width of that bell
	KeyLowHz      float64 // lower edge of the key band, whose level is measured
	KeyHighHz     float64 // upper edge of the key band
	ThresholdDBFS float64 // key level (rms) at which reduction starts, when not relative
	Relative      bool    // compare the key band with the whole signal instead
	RelativeDB    float64 // key minus whole level at which reduction starts, when relative
	Ratio         float64
	RangeDB       float64 // largest reduction at the centre
	AttackMs      float64
	ReleaseMs     float64
	LinkChannels  bool
}

// DeEsser lowers a bell around the sibilants while they are strong:
//
//	y = x + (g − 1) · band(x)
//
// with a band-pass of gain 1 at the centre. The gain at the centre is exactly
// g, far from it 1, and no filter coefficient ever changes. Latency is 0
// frames.
type DeEsser struct {
	settings   DeEsserSettings
	key, whole *detector
	threshold  float64 // of the key's mean square, or of its ratio to the whole
	smoothers  []smoother
	band       *Cascade
	picked     Block // the band-passed sound of a cell
	gain       [cell]float64
	lowest     float64 // gain since Reset
}

// deEsserWindowMs is short against a sibilant (50 ms and more) and long against
// a period of the key band. Common practice, no source.
const deEsserWindowMs = 10

// NewDeEsser builds a de-esser for a rate in Hz and a number of channels.
// Errors are *SettingError.
func NewDeEsser(s DeEsserSettings, rate, channels int) (*DeEsser, error) {
	err := first(
		checkFormat(rate, channels),
		checkFrequency("centre_hz", s.CentreHz, rate),
		checkRange("q", s.Q, 0.05, 100, ""),
		checkFrequency("key_high_hz", s.KeyHighHz, rate),
		checkRange("key_low_hz", s.KeyLowHz, 1, s.KeyHighHz, "Hz (key_high_hz)"),
		checkRange("threshold_dbfs", s.ThresholdDBFS, -200, 100, "dBFS"),
		checkRange("relative_db", s.RelativeDB, -200, 100, "dB"),
		checkRatio(s.Ratio, "dB in per dB out"),
		checkRange("range_db", s.RangeDB, 0, 100, "dB"),
		checkTimes(s.AttackMs, 0, s.ReleaseMs),
	)
	if err != nil {
		return nil, err
	}
	listen := append(ButterworthHighPass(2, s.KeyLowHz, float64(rate)), ButterworthLowPass(2, s.KeyHighHz, float64(rate))...)
	d := &DeEsser{
		settings:  s,
		key:       newDetector(RMS, deEsserWindowMs, listen, s.LinkChannels, rate, channels),
		threshold: DBToPower(s.ThresholdDBFS),
		band:      NewCascade([]Biquad{CookbookBandPass(s.CentreHz, s.Q, float64(rate))}, channels),
		picked:    NewBlock(channels, cell), lowest: 1,
	}
	if s.Relative {
		d.whole = newDetector(RMS, deEsserWindowMs, nil, s.LinkChannels, rate, channels)
		d.threshold = DBToPower(s.RelativeDB)
	}
	for range d.key.levels {
		d.smoothers = append(d.smoothers, newSmoother(s.AttackMs, s.ReleaseMs, 0, rate))
	}
	return d, nil
}

// Latency is 0 frames.
func (*DeEsser) Latency() int { return 0 }

// Process works on the block in place.
func (d *DeEsser) Process(b Block) { d.ProcessTraced(b, nil) }

// ProcessTraced is Process that also stores the linear gain at the bell's
// centre.
func (d *DeEsser) ProcessTraced(b, gain Block) {
	mustFit(b, len(d.picked))
	mustFitGain(gain, b)
	for from, frames := 0, b.Frames(); from < frames; from += cell {
		to := min(frames, from+cell)
		n := to - from
		d.key.run(b, from, to, nil)
		if d.whole != nil {
			d.whole.run(b, from, to, nil)
		}
		for c := range b {
			d.picked[c] = d.picked[c][:n]
			copy(d.picked[c], b[c][from:to])
		}
		d.band.Process(d.picked)
		for k := range d.smoothers {
			first, last := k, k+1
			if d.settings.LinkChannels {
				last = len(b)
			}
			idle := d.follow(k, n)
			if !idle {
				d.lowest = vector.Lowest(d.gain[:n], d.lowest)
			}
			for c := first; c < last; c++ {
				if !idle {
					lower(b[c][from:to], d.picked[c], d.gain[:n])
				}
				if gain != nil {
					copy(gain[c][from:to], d.gain[:n])
				}
			}
		}
	}
}

// follow computes the gains of one detector output for a cell, and reports
// whether all of them are 1.
func (d *DeEsser) follow(k, n int) (idle bool) {
	s := &d.smoothers[k]
	gain := d.gain[:n]
	idle = true
	for i, key := range d.key.levels[k] {
		against := 1.0
		if d.whole != nil {
			against = d.whole.levels[k][i].level // its stretches are as long
		}
		target := 0.0
		if key.level > against*d.threshold && key.level > silentPower {
			over := PowerToDB(key.level / (against * d.threshold))
			target = min(d.settings.RangeDB, compressorCurve(over, 0, d.settings.Ratio, 0))
		}
		idle = idle && s.at(0) && target == 0
		s.follow(gain[:key.frames], target)
		gain = gain[key.frames:]
	}
	return idle
}

// silentPower is the mean square below which the key counts as silence: −140
// dBFS, below any converter's noise.
const silentPower = 1e-14

// lower adds (g − 1) times the band to the sound.
func lower(x, band, gain []float64) {
	band, gain = band[:len(x)], gain[:len(x)]
	for i := range x {
		x[i] += float64((gain[i] - 1) * band[i])
	}
}

// ReductionDB is the largest reduction since Reset at the bell's centre, in dB.
func (d *DeEsser) ReductionDB() float64 { return reductionDB(d.lowest) }

// Reset brings the de-esser back to the state it was built in.
func (d *DeEsser) Reset() {
	d.lowest = 1
	d.key.reset()
	if d.whole != nil {
		d.whole.reset()
	}
	for k := range d.smoothers {
		d.smoothers[k].reset()
	}
	d.band.Reset()
}
