package report

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/compare"
	"github.com/boothbench/boothbench/measure/expect"
	"github.com/boothbench/boothbench/measure/take"
)

// TakeSettings are a take, and its chain or its processed version.
type TakeSettings struct {
	Take      string
	Chain     *chain.Chain // nil: Processed is given
	ChainText []byte       // the text of the chain file
	Processed string       // path of the processed version, "" with a chain
	Limits    *expect.Limits
	Workers   int    // goroutines of the engine; 0: as many as there are processors
	Version   string // of the program
}

// Take is the measurements of a take and of its processed version. ReadTake makes it.
type Take struct {
	TakeSettings
	Before, After side
	Inspection    *take.Inspection
	Gains         []chain.StageGains // one per dynamics stage; empty without a chain
	Judgements    []measure.Judgement
	Worst         []place

	between        *measure.Table // difference in third octaves, of two versions of one sound; nil: none
	betweenCaption string
}

// side is the measurements of one of the two files.
type side struct {
	path, name, digest string
	format             wave.Format
	frames             int64
	warnings           []wave.Warning
	readings           measure.Readings
	loudness           measure.Table
	envelope           *measure.Envelope
	bands              []measure.BandLevel
	overs              []measure.Over
	overCount          int64
}

// place is a place to listen to.
type place struct {
	title, says string
	between     bool    // show the waveform between the samples
	seconds     float64 // duration; 0: a single frame
	frame       int64
	channel     int
	envelope    *measure.Envelope
	from        float64 // seconds: where the envelope begins
	stretch     *measure.Stretch
}

// ceilingDBTP is the ceiling for overs where no limit gives one (EBU R 128).
const ceilingDBTP = -1.0

// columns of the pictures over time: about the width of a page in pixels.
const columns = 700

// ReadTake measures both files. With a chain it first processes the take, as
// boothbench process does, into a temporary file.
func ReadTake(ctx context.Context, s TakeSettings) (*Take, error) {
	t := &Take{TakeSettings: s}
	t.Before = side{path: s.Take, name: filepath.Base(s.Take)}
	t.After = side{path: s.Processed, name: filepath.Base(s.Processed)}
	if s.Chain != nil {
		folder, err := os.MkdirTemp("", "boothbench-report-")
		if err != nil {
			return nil, err
		}
		defer os.RemoveAll(folder)
		name := strings.TrimSuffix(t.Before.name, filepath.Ext(t.Before.name)) + "-processed.wav"
		t.After = side{path: filepath.Join(folder, "processed.wav"), name: name}
		if err := t.process(ctx, t.After.path); err != nil {
			return nil, err
		}
	}
	for _, f := range []*side{&t.Before, &t.After} {
		if err := f.read(ctx, t.ceiling()); err != nil {
			return nil, fmt.Errorf("%s: %w", f.name, err)
		}
	}
	if t.Before.format.Rate != t.After.format.Rate || t.Before.format.Channels != t.After.format.Channels {
		return nil, fmt.Errorf("%s has %s at %d Hz, %s %d at %d Hz; accepted: equal channels and rates",
			t.Before.name, dsp.Plural(t.Before.format.Channels, "channel"), t.Before.format.Rate, t.After.name, t.After.format.Channels, t.After.format.Rate)
	}
	var err error
	if t.Inspection, err = take.Inspect(ctx, t.Before.open(ctx)); err != nil {
		return nil, fmt.Errorf("%s: %w", t.Before.name, err)
	}
	for _, r := range t.Inspection.Readings {
		if _, metered := t.Before.readings.Get(r.Name); !metered {
			t.Before.readings = append(t.Before.readings, r)
		}
	}
	if err := t.judge(ctx); err != nil {
		return nil, err
	}
	if err := t.compare(ctx); err != nil {
		return nil, err
	}
	return t, t.findWorst(ctx)
}

// compare measures the difference of two files after alignment in time and level. The effect
// of a chain is shown by its stages instead.
func (t *Take) compare(ctx context.Context) error {
	if t.Chain != nil {
		return nil
	}
	c, err := compare.Sounds(ctx, t.Before.open(ctx), t.After.open(ctx), compare.Settings{Brief: true})
	if bad := (*compare.IncomparableError)(nil); errors.As(err, &bad) {
		return nil // the inspection of the take reports it
	}
	if err != nil {
		return fmt.Errorf("%s and %s: %w", t.Before.name, t.After.name, err)
	}
	if table := c.ThirdOctaves(); len(table.Rows) > 0 {
		t.between, t.betweenCaption = &table, fmt.Sprintf("A is %s, B %s. %s.", t.Before.name, t.After.name, strings.TrimSuffix(c.Summary(), "."))
	}
	return nil
}

// process runs the take through the chain.
func (t *Take) process(ctx context.Context, out string) error {
	reader, err := wave.Open(t.Before.path)
	if err != nil {
		return err
	}
	defer reader.Close()
	engine, err := t.Chain.Prepare(reader.Format().Rate, reader.Format().Channels)
	if err != nil {
		return err
	}
	gains := chain.NewGains(columns)
	writer, _, err := engine.Render(ctx, reader, out, chain.Output{}, wave.Options{Inputs: []string{t.Before.path}}, chain.Options{Gains: gains, Workers: t.Workers})
	if err != nil {
		return err
	}
	defer writer.Abort()
	if err := writer.Commit(); err != nil {
		return err
	}
	t.Gains = gains.Stages()
	return nil
}

func (f *side) open(ctx context.Context) func() (wave.Source, error) {
	return func() (wave.Source, error) {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		r, err := wave.Open(f.path)
		if err != nil {
			return nil, err
		}
		return r, nil
	}
}

// read reads the file once, with all meters.
func (f *side) read(ctx context.Context, ceiling float64) error {
	r, err := wave.Open(f.path)
	if err != nil {
		return err
	}
	defer r.Close()
	f.format, f.frames, f.warnings = r.Format(), r.Frames(), r.Warnings()
	loudness, err := measure.NewLoudness(measure.LoudnessSettings{Rate: f.format.Rate, Channels: f.format.Channels, ChannelMask: f.format.ChannelMask})
	if err != nil {
		return err
	}
	peaks, err := measure.NewTruePeak(f.format.Rate, f.format.Channels)
	if err != nil {
		return err
	}
	overs, err := measure.NewOvers(measure.OverSettings{Rate: f.format.Rate, Channels: f.format.Channels, CeilingDBTP: ceiling, MostEvents: 20})
	if err != nil {
		return err
	}
	f.envelope = measure.NewEnvelope(columns)
	bands := measure.NewThirdOctaves(f.format.Rate, f.format.Channels).WithoutOverlap()
	if err := measure.EachBlock(ctx, r, loudness.Write, peaks.Write, overs.Write, f.envelope.Write, bands.Write); err != nil {
		return err
	}
	f.readings = append(measure.FormatReadings(f.format, f.frames), loudness.Readings()...)
	f.readings = append(f.readings, peaks.Readings()...)
	f.readings = append(f.readings, measure.PeakToLoudness(f.readings))
	f.readings = append(f.readings, overs.Readings()...)
	f.loudness, f.bands = loudness.Table(), bands.Levels()
	f.overs, f.overCount = overs.Events()
	f.digest, err = digestOf(f.path)
	return err
}

// digestOf is the SHA-256 of a file.
func digestOf(path string) (string, error) {
	file, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer file.Close()
	sum := sha256.New()
	if _, err := io.Copy(sum, file); err != nil {
		return "", err
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}

// Warnings are those of the files: what of them is missing or damaged.
func (t *Take) Warnings() []wave.Warning {
	return append(slices.Clone(t.Before.warnings), t.After.warnings...)
}

// limits are the limits for the processed file.
func (t *Take) limits() (all []measure.Limit) {
	if t.Limits == nil {
		return nil
	}
	name := t.Processed
	if name == "" {
		name = t.Take
	}
	for _, g := range t.Limits.Groups {
		if g.Chain == "" && g.Covers(name) {
			all = append(all, g.Limits...)
		}
	}
	return all
}

// limit is the first limit of a reading.
func (t *Take) limit(names ...string) *measure.Limit {
	for _, l := range t.limits() {
		if slices.Contains(names, l.Reading) {
			return &l
		}
	}
	return nil
}

// ceiling is the true peak in dBTP above which overs are listed.
func (t *Take) ceiling() float64 {
	if l := t.limit("true_peak_fine_dbtp", "true_peak_dbtp", "true_peak_annex2_dbtp"); l != nil && l.Max != nil {
		return *l.Max
	}
	return ceilingDBTP
}

// judge checks the limits of the processed file on the readings so far, or, where one is
// missing there, measures the file as boothbench check does.
func (t *Take) judge(ctx context.Context) error {
	var lost []measure.Judgement // the processed version of a take that has lost sound is whole by itself
	if t.Chain != nil {
		lost = expect.Unusable(t.Before.name, t.Before.warnings, nil, t.limits())
	}
	for _, l := range t.limits() {
		if _, have := t.After.readings.Get(l.Reading); !have {
			if checked := t.Limits.CheckFile(ctx, t.After.path); checked.Err == nil && len(checked.Judgements) > 0 {
				t.Judgements = append(lost, checked.Judgements...)
				for i := range t.Judgements {
					t.Judgements[i].Subject = t.After.name
				}
				return nil
			}
		}
	}
	t.Judgements = append(lost, expect.Unusable(t.After.name, t.After.warnings, t.After.readings, t.limits())...)
	for _, l := range t.limits() {
		t.Judgements = append(t.Judgements, measure.Judge(t.After.name, t.After.format.Rate, t.After.readings, l))
	}
	return nil
}

// findWorst lists up to three places to listen to: the worst overs, then the largest true
// peak, the loudest passage, and what the inspection found.
func (t *Take) findWorst(ctx context.Context) error {
	rate := t.After.format.Rate
	add := func(p place) {
		for _, other := range t.Worst {
			if d := other.frame - p.frame; d < int64(rate)/2 && d > -int64(rate)/2 {
				return // listed already
			}
		}
		if len(t.Worst) < 3 && p.frame >= 0 && p.frame < t.After.frames {
			p.channel = max(0, p.channel)
			t.Worst = append(t.Worst, p)
		}
	}
	at := func(frame int64) string { return measure.TimeCode(frame, rate) }
	overs := slices.Clone(t.After.overs)
	slices.SortFunc(overs, measure.Over.WorseThan)
	for _, o := range overs {
		level := measure.Reading{Value: dsp.AmplitudeToDB(o.Largest()), Unit: "dBTP"}
		add(place{title: "Over at " + at(o.Frame), between: true, frame: o.Frame, channel: o.Channel,
			says: fmt.Sprintf("%s, over %g dBTP, at %s, channel %d.", level, t.ceiling(), at(o.Frame), o.Channel+1)})
	}
	if r, _ := t.After.readings.Get("true_peak_fine_dbtp"); r.Measurable() {
		add(place{title: "Largest true peak, at " + at(r.Frame), between: true, frame: r.Frame, channel: r.Channel, says: fmt.Sprintf("%s at %s.", r, at(r.Frame))})
	}
	if r, _ := t.After.readings.Get("momentary_max_lufs"); r.Measurable() {
		add(place{title: "Loudest passage, at " + at(r.Frame), frame: r.Frame, seconds: 0.4, says: fmt.Sprintf("%s over 400 ms from %s.", r, at(r.Frame))})
	}
	for _, e := range t.Inspection.Events {
		add(place{title: fmt.Sprintf("%s at %s", upper(e.Kind), at(e.Frame)), frame: e.Frame, channel: e.Channel,
			says: fmt.Sprintf("The inspection of the take found a %s at %s.", e.Kind, at(e.Frame))})
	}
	for i := range t.Worst {
		if err := t.Worst[i].read(ctx, &t.After); err != nil {
			return err
		}
	}
	return nil
}

func upper(word string) string {
	if word == "" || word[0] < 'a' || word[0] > 'z' {
		return word
	}
	return string(word[0]-'a'+'A') + word[1:]
}

// read reads the waveform around a place.
func (p *place) read(ctx context.Context, f *side) error {
	src, err := f.open(ctx)()
	if err != nil {
		return err
	}
	r := src.(*wave.Reader)
	defer r.Close()
	rate := int64(f.format.Rate)
	from, to := max(0, p.frame-rate), min(f.frames, p.frame+rate)
	if err := r.SeekFrame(from); err != nil {
		return err
	}
	p.from, p.envelope = float64(from)/float64(rate), measure.NewEnvelope(columns)
	b := dsp.NewBlock(f.format.Channels, 4096)
	for n := to - from; n > 0; {
		part := make(dsp.Block, len(b))
		for c := range b {
			part[c] = b[c][:min(n, 4096)]
		}
		k, err := r.Read(part)
		for c := range part {
			part[c] = part[c][:k]
		}
		p.envelope.Write(part)
		n -= int64(k)
		if err == io.EOF || k == 0 {
			break
		}
		if err != nil {
			return err
		}
	}
	if !p.between {
		return nil
	}
	s, err := measure.WaveAround(r, p.channel, p.frame, 32)
	p.stretch = &s
	return err
}

// Readings are the readings of the take, with its inspection, and of the processed file.
func (t *Take) Readings() (before, after measure.Readings) {
	return t.Before.readings, t.After.readings
}
