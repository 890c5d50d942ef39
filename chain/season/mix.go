package season

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// Mixed is the result of a mix.
type Mixed struct {
	Output string `json:"output"` // below the season's folder
	// GainDB is the gain applied to the sum of the outputs.
	GainDB       float64  `json:"gain_db"`
	LoudnessLUFS *float64 `json:"integrated_lufs"`
	TruePeakDBTP *float64 `json:"true_peak_fine_dbtp"`
	// Missed is the reason that the mix does not have the loudness of the target.
	Missed string `json:"missed,omitempty"`
}

// Text states the mix's gain, loudness and peak.
func (m *Mixed) Text() string {
	text := fmt.Sprintf("a gain of %+.2f dB", m.GainDB)
	if m.LoudnessLUFS != nil {
		text += fmt.Sprintf(", %.2f LUFS", *m.LoudnessLUFS)
	}
	if m.TruePeakDBTP != nil {
		text += fmt.Sprintf(", true peak %.2f dBTP", *m.TruePeakDBTP)
	}
	return text
}

// sum is a source that adds the channels of several files.
type sum struct {
	readers []*wave.Reader
	gains   [][]float64 // from each channel of the files to each channel of the mix
	format  wave.Format
	gain    float64
	in      []dsp.Block
}

// openSum opens the files. Files shorter than the longest are extended with silence.
func openSum(m *Mix, paths []string) (*sum, error) {
	s := &sum{gain: 1}
	channel := 0
	for _, path := range paths {
		r, err := wave.Open(path)
		if err != nil {
			return nil, errors.Join(err, s.Close())
		}
		s.readers = append(s.readers, r)
		f := r.Format()
		if len(s.readers) == 1 {
			s.format = f
		}
		if f.Rate != s.format.Rate {
			s.Close()
			return nil, fmt.Errorf("%s: found %d Hz; accepted: %d Hz, as %s has", path, f.Rate, s.format.Rate, paths[0])
		}
		s.format.Bits = max(s.format.Bits, f.Bits)
		if f.Encoding == wave.Float {
			s.format.Encoding = wave.Float
		}
		for range f.Channels {
			s.gains = append(s.gains, m.panned(channel))
			channel++
		}
		s.in = append(s.in, dsp.NewBlock(f.Channels, mixFrames))
	}
	if n := len(m.Pan); n > 0 && n != channel {
		s.Close()
		return nil, fmt.Errorf("found %s in pan; accepted: one for each channel of the takes, %d", dsp.Plural(n, "place"), channel)
	}
	s.format.Channels, s.format.ChannelMask, s.format.ContainerBits = m.Channels, 0, 0
	return s, nil
}

// mixFrames is the largest length of a block that is read.
const mixFrames = 4096

func (s *sum) Format() wave.Format { return s.format }

func (s *sum) Close() (err error) {
	for _, r := range s.readers {
		err = errors.Join(err, r.Close())
	}
	return err
}

// Read reads a block of the mix.
func (s *sum) Read(b dsp.Block) (int, error) {
	frames := min(b.Frames(), mixFrames)
	for _, plane := range b {
		clear(plane[:frames])
	}
	most, channel := 0, 0
	for k, r := range s.readers {
		n := 0
		for n < frames {
			part := make(dsp.Block, len(s.in[k]))
			for c := range part {
				part[c] = s.in[k][c][n:frames]
			}
			got, err := r.Read(part)
			n += got
			if errors.Is(err, io.EOF) || err == nil && got == 0 {
				break
			}
			if err != nil {
				return 0, err
			}
		}
		for _, plane := range s.in[k] {
			for to, gain := range s.gains[channel] {
				gain *= s.gain
				for i, v := range plane[:n] {
					b[to][i] += float64(gain * v)
				}
			}
			channel++
		}
		most = max(most, n)
	}
	if most == 0 {
		return 0, io.EOF
	}
	return most, nil
}

// mix adds the outputs of a conversation and writes the sum with one gain. Where the season
// delivers, the gain aims at the target's loudness; the true peak always keeps the headroom
// below full scale.
func (w *worker) mix(ctx context.Context, c *Conversation) (*Mixed, error) {
	var paths []string
	for _, output := range c.Takes {
		paths = append(paths, w.plan.output(Take{Output: output}))
	}
	s, err := openSum(c.Mix, paths)
	if err != nil {
		return nil, err
	}
	before, err := measureSum(ctx, s, w.plan)
	if err != nil {
		return nil, err
	}
	done := &Mixed{Output: c.mixName()}
	peak, _ := before.Get("true_peak_fine_dbtp")
	most := 0.0
	if peak.Measurable() {
		most = -c.Mix.HeadroomDB - peak.Value - mixReserveDB
	}
	done.GainDB = min(0, most)
	if target := w.plan.Target; target != nil {
		lufs, _ := before.Get("integrated_lufs")
		if !lufs.Measurable() {
			return nil, fmt.Errorf("the mix has no loudness: %s", lufs.Reason)
		}
		want := target.LoudnessLUFS - lufs.Value
		if done.GainDB = min(want, most); want > most+0.1 {
			done.Missed = fmt.Sprintf("the mix is %.2f LU under %g LUFS: its peaks forbid more with %g dB of headroom", want-most, target.LoudnessLUFS, c.Mix.HeadroomDB)
		}
	}
	if s, err = openSum(c.Mix, paths); err != nil {
		return nil, err
	}
	defer s.Close()
	s.gain = dsp.DBToAmplitude(done.GainDB)
	format := w.plan.Output.Format(s.format)
	out := w.plan.output(Take{Output: c.mixName()})
	own := isOwn(out)
	writer, err := wave.Create(out, format, wave.Options{Replace: own, KeepLate: !own, Inputs: paths, Dither: w.plan.Output.DitherOf(s.format, true), Seed: w.plan.Output.Seed})
	if err != nil {
		return nil, err
	}
	defer writer.Abort()
	if err := measure.EachBlockBy(ctx, oneGoroutine, s, func(b dsp.Block) { err = errors.Join(err, writer.Write(b)) }); err != nil {
		return nil, err
	}
	if err != nil {
		return nil, err
	}
	meter, err := measure.NewProgrammeMeter(format, w.plan.mono())
	if err != nil {
		return nil, err
	}
	if err := measureWritten(ctx, writer, meter.Loudness.Write, meter.Peaks.Write); err != nil {
		return nil, err
	}
	after := meter.Readings()
	for name, to := range map[string]**float64{"integrated_lufs": &done.LoudnessLUFS, "true_peak_fine_dbtp": &done.TruePeakDBTP} {
		if r, _ := after.Get(name); r.Measurable() {
			*to = &r.Value
		}
	}
	if err := writer.Commit(); err != nil {
		return nil, cmp.Or(foreign(err, out), err)
	}
	return done, nil
}

// mixReserveDB is the most that dither and rounding add to a peak: two steps of 16 bits are
// 0.03 dB at −40 dBFS, and less at higher levels.
const mixReserveDB = 0.03

// measureSum measures the sum without a gain, and closes it.
func measureSum(ctx context.Context, s *sum, p *Plan) (measure.Readings, error) {
	defer s.Close()
	meter, err := measure.NewProgrammeMeter(s.format, p.mono())
	if err != nil {
		return nil, err
	}
	err = measure.EachBlockBy(ctx, oneGoroutine, s, meter.Loudness.Write, meter.Peaks.Write)
	return meter.Readings(), err
}

// mono returns how a single channel is measured.
func (p *Plan) mono() measure.MonoPolicy {
	if p.Target != nil {
		return p.Target.Mono
	}
	return measure.AsIs
}
