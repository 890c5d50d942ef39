package expect

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"sort"
	"time"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/compare"
)

// BaselineSchema is the version of the baseline file.
const BaselineSchema = 1

// Baseline is a sound that was recorded as right: its fingerprint, the excerpt
// around its loudest three seconds in a WAV file beside it, and why it was recorded
// each time.
type Baseline struct {
	SchemaVersion int      `json:"schema_version"`
	Subject       string   `json:"subject"`
	History       []Reason `json:"history"` // the newest last
	Fingerprint
	dir string
}

// Reason is why a baseline was recorded.
type Reason struct {
	Date          string `json:"date"`
	Why           string `json:"why"`
	SamplesSHA256 string `json:"samples_sha256"`
}

func baselinePath(dir, file string) string { return filepath.Join(dir, filepath.Base(file)+".json") }

func (b *Baseline) excerptPath() string {
	return filepath.Join(b.dir, filepath.Base(b.Subject)+".excerpt.wav")
}

// RecordBaseline records a file as right, with the reason; reasons of earlier
// recordings stay.
func RecordBaseline(ctx context.Context, dir, file, why string, at time.Time) (*Baseline, error) {
	if why == "" {
		return nil, errors.New("a baseline needs a reason; accepted: a line that says why the sound is right")
	}
	sound := File(file)
	f, err := fingerprintOf(ctx, sound)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	b := &Baseline{SchemaVersion: BaselineSchema, Subject: filepath.Base(file), Fingerprint: *f, dir: dir}
	before, err := LoadBaseline(dir, file)
	if err == nil {
		b.History = before.History
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	b.History = append(b.History, Reason{at.UTC().Format("2006-01-02"), why, f.SamplesSHA256})
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return nil, err
	}
	if err := b.writeExcerpt(ctx, sound); err != nil {
		return nil, err
	}
	text, err := json.MarshalIndent(b, "", " ")
	if err != nil {
		return nil, err
	}
	out, err := wave.CreateFile(baselinePath(dir, file), true, []string{file})
	if err != nil {
		return nil, err
	}
	defer out.Abort()
	if _, err := out.Write(append(text, '\n')); err != nil {
		return nil, err
	}
	return b, out.Commit()
}

// LoadBaseline reads what was recorded of a file.
func LoadBaseline(dir, file string) (*Baseline, error) {
	path := baselinePath(dir, file)
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	b := &Baseline{dir: dir}
	if err := json.Unmarshal(text, b); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if b.SchemaVersion != BaselineSchema {
		return nil, fmt.Errorf("%s: found schema_version %d, accepted: %d: record it again, with the reason", path, b.SchemaVersion, BaselineSchema)
	}
	if b.RateHz < dsp.MinRate || b.Channels < 1 || b.LevelMs < 1 || b.ExcerptFrames < 0 || b.ExcerptFrames > b.Frames {
		return nil, fmt.Errorf("%s: no baseline as check --record writes it", path)
	}
	return b, nil
}

// writeExcerpt keeps the excerpt in 32-bit floating point.
func (b *Baseline) writeExcerpt(ctx context.Context, s Sound) error {
	out, err := wave.Create(b.excerptPath(), wave.Format{Rate: b.RateHz, Channels: b.Channels, Encoding: wave.Float, Bits: 32}, wave.Options{Replace: true})
	if err != nil {
		return err
	}
	defer out.Abort()
	planes, err := excerptOf(ctx, s, b.ExcerptFrom, b.ExcerptFrames, b.Channels)
	if err != nil {
		return err
	}
	if err := out.Write(planes); err != nil {
		return err
	}
	return out.Commit()
}

// excerptOf are the frames of a sound from one on, as many as there are.
func excerptOf(ctx context.Context, s Sound, from, frames int64, channels int) (dsp.Block, error) {
	planes := make(dsp.Block, channels)
	at := int64(0)
	err := s.read(func(src wave.Source) error {
		return measure.EachBlock(ctx, src, func(b dsp.Block) {
			lo, hi := max(0, from-at), min(int64(b.Frames()), from+frames-at)
			for c := range b {
				if lo < hi && c < channels {
					planes[c] = append(planes[c], b[c][lo:hi]...)
				}
			}
			at += int64(b.Frames())
		})
	})
	return planes, err
}

// Against are the readings of a sound against the baseline: same_samples, and how far
// it has moved in frames_change, integrated_change_lu, range_change_lu,
// true_peak_change_db, spectrum_change_db, level_change_db, excerpt_delay_frames,
// excerpt_gain_db and excerpt_residual_dbfs.
func (b *Baseline) Against(ctx context.Context, s Sound) (measure.Readings, error) {
	now, err := fingerprintOf(ctx, s)
	if err != nil {
		return nil, err
	}
	if now.RateHz != b.RateHz || now.Channels != b.Channels {
		return nil, fmt.Errorf("found %d channels at %d Hz; the baseline has %d at %d Hz", now.Channels, now.RateHz, b.Channels, b.RateHz)
	}
	reference := fmt.Sprintf("the baseline of %s: %s", b.History[len(b.History)-1].Date, b.History[len(b.History)-1].Why)
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
	if now.SamplesSHA256 == b.SamplesSHA256 && now.Frames == b.Frames {
		same = 1
	}
	add("same_samples", measure.Reading{Value: same, Definition: "1: every sample is the same (SHA-256)"})
	add("frames_change", measure.Reading{Value: float64(now.Frames - b.Frames), Unit: "frames"})
	for _, c := range [][3]string{{"integrated_change_lu", "integrated_lufs", "LU"}, {"range_change_lu", "loudness_range_lu", "LU"}, {"true_peak_change_db", "true_peak_fine_dbtp", "dB"}} {
		x := measure.Reading{Unit: c[2], Definition: c[1] + " less that of the baseline"}
		before, after := b.Readings[c[1]], now.Readings[c[1]]
		switch {
		case before == nil && after == nil: // neither has one
		case before == nil || after == nil:
			x.Reason = c[1] + " is not measurable in one of both"
		default:
			x.Value = *after - *before
		}
		add(c[0], x)
	}
	add("spectrum_change_db", spectrumChange(b.Bands, now.Bands))
	add("level_change_db", levelChange(&b.Fingerprint, now))
	excerpt, err := b.excerptAgainst(ctx, s, same == 1)
	for _, n := range excerpt {
		n.Reference = reference
		r = append(r, n)
	}
	return r, err
}

// loudBandDB is how far under the loudest band one still counts: below is noise.
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
	x := measure.Reading{Unit: "dB", Definition: fmt.Sprintf("largest change of level over %d ms, where it is within %d dB of the loudest", before.LevelMs, loudBandDB)}
	loudest := float64(silentDBFS)
	for _, v := range before.Levels {
		loudest = max(loudest, v)
	}
	for i := range min(len(before.Levels), len(after.Levels)) {
		change := after.Levels[i] - before.Levels[i]
		if max(before.Levels[i], after.Levels[i]) > loudest-loudBandDB && math.Abs(change) > math.Abs(x.Value) {
			x.Value, x.Frame = change, int64(i*dsp.Frames(float64(before.LevelMs), before.RateHz))
		}
	}
	return x
}

// excerptAgainst compares the excerpt with what now lies there, and half a second on
// either side.
func (b *Baseline) excerptAgainst(ctx context.Context, s Sound, same bool) (measure.Readings, error) {
	names := map[string]string{"delay_frames": "excerpt_delay_frames", "gain_db": "excerpt_gain_db", "residual_dbfs": "excerpt_residual_dbfs"}
	var r measure.Readings
	if same {
		for _, from := range []string{"delay_frames", "gain_db", "residual_dbfs"} {
			x := measure.Reading{Unit: map[string]string{"delay_frames": "frames", "gain_db": "dB", "residual_dbfs": "dBFS"}[from], Frame: -1, Channel: -1}
			if from == "residual_dbfs" {
				x.Reason, x.Beyond = "exactly 0", -1
			}
			r = append(r, measure.Named{Name: names[from], Reading: x})
		}
		return r, nil
	}
	margin := min(b.ExcerptFrom, int64(b.RateHz/2))
	planes, err := excerptOf(ctx, s, b.ExcerptFrom-margin, b.ExcerptFrames+margin+int64(b.RateHz/2), b.Channels)
	if err != nil {
		return nil, err
	}
	c, err := compare.Sounds(ctx, File(b.excerptPath()).Open, Planes(b.RateHz, planes).Open, compare.Settings{})
	if err != nil {
		return nil, err
	}
	readings := c.Readings()
	for _, from := range []string{"delay_frames", "gain_db", "residual_dbfs"} {
		x, _ := readings.Get(from)
		if from == "delay_frames" && x.Measurable() {
			x.Value -= float64(margin)
		}
		x.Definition = fmt.Sprintf("frames %d to %d against the excerpt: %s", b.ExcerptFrom, b.ExcerptFrom+b.ExcerptFrames, x.Definition)
		r = append(r, measure.Named{Name: names[from], Reading: x})
	}
	return r, nil
}

// BaselineLimits are what a sound may change by where no other limits are given:
// less than is heard, and more than another processor's rounding. (common practice,
// no source)
func BaselineLimits() []measure.Limit {
	all := []measure.Limit{
		measure.Between("frames_change", 0, 0), measure.Between("integrated_change_lu", 0, 0.1), measure.Between("true_peak_change_db", 0, 0.1),
		measure.Between("spectrum_change_db", 0, 0.2), measure.Between("level_change_db", 0, 0.5), measure.Between("excerpt_delay_frames", 0, 0.01),
		measure.AtMost("excerpt_residual_dbfs", -80),
	}
	for i := range all {
		all[i].Source = "usual of a baseline"
	}
	return all
}
