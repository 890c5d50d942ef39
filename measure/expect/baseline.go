package expect

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"sort"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// BaselineSchema is the version of the baseline file.
const BaselineSchema = 3

// Baseline is a sound that was recorded as right: its fingerprint, and the reason of each
// recording. It is a single file, so that parts of an old and a new one cannot mix.
type Baseline struct {
	SchemaVersion int      `json:"schema_version"`
	Subject       string   `json:"subject"`
	History       []Reason `json:"history"` // the newest last
	Fingerprint
}

// Reason is why a baseline was recorded.
type Reason struct {
	Date          string `json:"date"`
	Why           string `json:"why"`
	Change        string `json:"change,omitempty"` // against the recording before it
	SamplesSHA256 string `json:"samples_sha256"`
}

// LoadBaseline reads the recorded baseline of a file.
func LoadBaseline(dir, file string) (*Baseline, error) {
	path := baselinePath(dir, file)
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return parseBaseline(path, text)
}

func parseBaseline(path string, text []byte) (*Baseline, error) {
	b := &Baseline{}
	var version struct {
		SchemaVersion int `json:"schema_version"`
	}
	if err := json.Unmarshal(text, &version); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if version.SchemaVersion != BaselineSchema {
		return nil, fmt.Errorf("%s: found schema_version %d, accepted: %d: remove it and record the file again, with the reason", path, version.SchemaVersion, BaselineSchema)
	}
	if err := json.Unmarshal(text, b); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	switch {
	case b.RateHz < dsp.MinRate, b.RateHz > dsp.MaxRate, b.Channels < 1, b.Channels > dsp.MaxChannels, b.Frames < 0, len(b.History) == 0, b.Reference == nil:
		return nil, fmt.Errorf("%s: no baseline as check --record writes it", path)
	case b.History[len(b.History)-1].SamplesSHA256 != b.SamplesSHA256, !b.Reference.shape(b.RateHz, b.Channels, b.Frames), int64(len(b.Levels)) != b.Frames/int64(referenceFrames(b.RateHz)):
		return nil, fmt.Errorf("%s: its parts are not of one recording: restore it from where it is kept, or record it again", path)
	}
	return b, nil
}

// newest is the recording that is in force.
func (b *Baseline) newest() Reason { return b.History[len(b.History)-1] }

// Against returns the readings of a sound against the baseline: same_samples, and the
// changes sample_bits_change, used_bits_change, frames_change, delay_change_frames, gain_change_db, integrated_change_lu,
// range_change_lu, true_peak_change_db, spectrum_change_db, level_change_db,
// difference_change_dbfs and local_changes.
func (b *Baseline) Against(ctx context.Context, s Sound) (measure.Readings, error) {
	c, err := b.changeOf(ctx, s)
	if err != nil {
		return nil, err
	}
	return c.readings(), nil
}

// readings are the readings that Baseline.Against returns.
func (c *change) readings() measure.Readings {
	b, now := c.baseline, c.now
	reference := fmt.Sprintf("the baseline of %s: %s", b.newest().Date, b.newest().Why)
	var r measure.Readings
	add := func(name string, x measure.Reading) {
		x.Reference = reference
		if x.Frame == 0 {
			x.Frame = -1
		}
		x.Channel = -1
		r = append(r, measure.Named{Name: name, Reading: x})
	}
	same := 0.0
	if c.same() {
		same = 1
	}
	add("same_samples", measure.Reading{Value: same, Definition: "1: every sample is the same (SHA-256)"})
	add("sample_bits_change", measure.Reading{Value: float64(now.SampleBits - b.SampleBits), Unit: "bit", Definition: "bits a sample, by the headers: " + now.SampleFormat + " against " + b.SampleFormat})
	used := measure.Reading{Unit: "bit", Definition: "bits down to the lowest that any sample uses, less those of the baseline; 0 where one is silent or has floating-point samples"}
	if now.UsedBits > 0 && b.UsedBits > 0 {
		used.Value = float64(now.UsedBits - b.UsedBits)
	}
	add("used_bits_change", used)
	add("frames_change", measure.Reading{Value: float64(now.Frames - b.Frames), Unit: "frames"})
	add("delay_change_frames", measure.Reading{Value: c.delay, Unit: "frames", Definition: "where the sums of passages correlate most; more than 0: later"})
	add("gain_change_db", c.gainReading())
	for _, k := range [][3]string{{"integrated_change_lu", "integrated_lufs", "LU"}, {"range_change_lu", "loudness_range_lu", "LU"}, {"true_peak_change_db", "true_peak_fine_dbtp", "dB"}} {
		x := measure.Reading{Unit: k[2], Definition: k[1] + " less that of the baseline"}
		before, after := b.Readings[k[1]], now.Readings[k[1]]
		switch {
		case before == nil && after == nil: // neither has one
		case before == nil || after == nil:
			x.Reason = k[1] + " is not measurable in one of both"
		default:
			x.Value = *after - *before
		}
		add(k[0], x)
	}
	add("spectrum_change_db", spectrumChange(b.Bands, now.Bands))
	add("level_change_db", levelChange(&b.Fingerprint, now))
	add("difference_change_dbfs", c.differenceReading())
	add("local_changes", measure.Reading{Value: float64(len(c.local)), Unit: "events", Definition: fmt.Sprintf("blocks of %d ms in which more changed than %d times what changed in the median block, and more than %d dBFS", referenceMs, standsOut, leastLocalDBFS), Frame: c.firstLocal()})
	return r
}

// loudBandDB is how far below the loudest band a band may be to count: lower ones are
// noise.
const loudBandDB = 60

// spectrumChange is the largest change of a third-octave band.
func spectrumChange(before, after map[int]float64) measure.Reading {
	x := measure.Reading{Unit: "dB", Definition: "no band"}
	var hz []int
	loudest := float64(silentDBFS)
	for k, v := range before {
		hz = append(hz, k)
		loudest = max(loudest, v)
	}
	sort.Ints(hz)
	for _, k := range hz {
		change := after[k] - before[k]
		if max(before[k], after[k]) > loudest-loudBandDB && math.Abs(change) > math.Abs(x.Value) {
			x.Value = change
			x.Bandwidth = fmt.Sprintf("third octave at %d Hz", k)
			x.Definition = fmt.Sprintf("largest change of a third-octave band within %d dB of the loudest", loudBandDB)
		}
	}
	return x
}

// levelChange is the largest change of the level over a few milliseconds.
func levelChange(before, after *Fingerprint) measure.Reading {
	x := measure.Reading{Unit: "dB", Frame: -1, Channel: -1, Definition: fmt.Sprintf("largest change of level over %d ms, where it is within %d dB of the loudest", referenceMs, loudBandDB)}
	loudest := float64(silentDBFS)
	for _, v := range before.Levels {
		loudest = max(loudest, v)
	}
	for i := range min(len(before.Levels), len(after.Levels)) {
		change := after.Levels[i] - before.Levels[i]
		if max(before.Levels[i], after.Levels[i]) > loudest-loudBandDB && math.Abs(change) > math.Abs(x.Value) {
			x.Value, x.Frame = change, int64(i*referenceFrames(before.RateHz))
		}
	}
	return x
}

// BaselineLimits are the accepted changes of a sound where no other limits are given. What
// differs may be as much as another seed leaves in 16 bits; a baseline of more bits has a
// lower limit (see [Baseline.Limits]).
func BaselineLimits() []measure.Limit {
	var all []measure.Limit
	for _, b := range baselineBands {
		b.limit.Source = usualOfBaseline
		all = append(all, b.limit)
	}
	return all
}

const usualOfBaseline = "usual of a baseline"

// Limits are the usual limits of this baseline: BaselineLimits, by the bits that its samples
// are rounded to.
func (b *Baseline) Limits() []measure.Limit {
	all := BaselineLimits()
	for i := range all {
		all[i] = b.limit(all[i])
	}
	return all
}

// limit is a limit, or what the usual one is for this baseline.
func (b *Baseline) limit(l measure.Limit) measure.Limit {
	if l.Source != usualOfBaseline || l.Reading != "difference_change_dbfs" {
		return l
	}
	usual := measure.AtMost(l.Reading, b.roundingOrDitherDBFS())
	usual.Source = fmt.Sprintf("%s of %d bits", usualOfBaseline, b.ditheredBits())
	return usual
}

// ditheredBits are the bits that the samples are rounded to, from 16 to 24: dither of fewer
// is nothing that a chain leaves, and the sums, 32-bit floating point, resolve no more.
func (b *Baseline) ditheredBits() int {
	bits := cmp.Or(b.RoundedBits, b.UsedBits, mostDithered)
	return max(leastDithered, min(mostDithered, bits))
}

const leastDithered, mostDithered = 16, 24

// roundingOrDitherDBFS is what another dither seed or another processor's rounding may leave
// (see baselineBands): -90 dBFS in 16 bits, and 6.02 dB less for each further bit.
func (b *Baseline) roundingOrDitherDBFS() float64 {
	return -90 - math.Round(dsp.AmplitudeToDB(math.Exp2(float64(b.ditheredBits()-leastDithered))))
}

// baselineBands are the changes that are accepted where no other limits are given, each
// with its reason. They are larger than what another dither seed or another processor's
// rounding causes, and smaller than what a change of a setting causes. Another seed at 16
// bits leaves a difference of -93.3 dBFS rms (TPDF dither: q²/4 a file, q²/2 between two;
// q = 2^-15).
var baselineBands = []struct {
	limit measure.Limit
	why   string
}{
	{measure.Between("sample_bits_change", 0, 0), "a build writes the format that was approved"},
	{measure.Between("used_bits_change", 0, 0), "dither uses the lowest bit whatever its seed; fewer bits are another rounding"},
	{measure.Between("frames_change", 0, 0), "a chain does not change the length"},
	{measure.Between("delay_change_frames", 0, 0.01), "what a seed or rounding moves is under 0.001; a change of latency is a whole frame"},
	{measure.Between("gain_change_db", 0, 0.02), "a seed moves it by under 0.001 dB; settings go in steps of 0.05 dB and more"},
	{measure.Between("integrated_change_lu", 0, 0.05), "half the finest step that a meter shows, 0.1 LU (EBU Tech 3341)"},
	{measure.Between("true_peak_change_db", 0, 0.05), "two steps of 16 bits at -20 dBTP are 0.005 dB"},
	{measure.Between("spectrum_change_db", 0, 0.05), "a seed moves a band 60 dB under the loudest by some 0.02 dB in ten seconds"},
	{measure.Between("level_change_db", 0, 0.5), "a seed moves 24 ms that are 60 dB under the loudest by up to 0.3 dB"},
	{measure.AtMost("difference_change_dbfs", -90), "a seed at 16 bits leaves -93.3 dBFS, and 3 dB for files of which a part is dithered twice; at 24 bits it leaves -141.5 dBFS"},
	{measure.AtMost("local_changes", 0), "seeds and rounding change all of a file alike"},
}
