package expect

import (
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

const (
	// meantDB is the limit of a peak that only silence, or converters' noise, can meet: dither
	// of 16 bits peaks at −90 dBFS. Who sets it means silence.
	meantDB = -90
	// noSoundPeakDB is the largest sample of dither and of converters' noise: 12 dB over an
	// rms of −90 dBFS. (common practice, no source)
	noSoundPeakDB = -78
)

// errSound ends a reading at the first sample that differs.
var errSound = errors.New("there is sound")

// nothing is why a sound has nothing that limits could hold: it has no frames, or each
// channel has one value throughout; "": it has.
func (m *measured) nothing() (why string, err error) {
	var frames int64
	var first []float64
	err = m.sound.read(func(src wave.Source) error {
		m.rate, m.channels = src.Format().Rate, src.Format().Channels
		first = make([]float64, m.channels)
		b := dsp.NewBlock(m.channels, 4096)
		for m.ctx.Err() == nil {
			n, err := wave.ReadNext(src, b)
			if errors.Is(err, io.EOF) {
				err = nil
				if n == 0 {
					return nil
				}
			}
			if err != nil {
				return err
			}
			for c := range b {
				if frames == 0 {
					first[c] = b[c][0]
				}
				if slices.ContainsFunc(b[c][:n], func(v float64) bool { return v != first[c] }) {
					return errSound
				}
			}
			frames += int64(n)
		}
		return m.ctx.Err()
	})
	switch {
	case errors.Is(err, errSound):
		return "", nil
	case err != nil:
		return "", err
	case frames == 0:
		return "it has no frames", nil
	case slices.ContainsFunc(first, func(v float64) bool { return v != 0 }):
		return fmt.Sprintf("digital silence: each channel has one value in all %s", dsp.Plural(frames, "frame")), nil
	}
	return fmt.Sprintf("digital silence: all %s are 0", dsp.Plural(frames, "frame")), nil
}

// silenceIsMeant reports whether limits can be met by silence alone.
func silenceIsMeant(limits []measure.Limit) bool {
	return slices.ContainsFunc(limits, func(l measure.Limit) bool {
		return l.Max != nil && *l.Max <= meantDB && slices.Contains([]string{"sample_peak_dbfs", "true_peak_dbtp", "true_peak_annex2_dbtp", "true_peak_fine_dbtp"}, l.Reading)
	})
}

// silentFile is the failure of a sound that has nothing to hold, whatever its limits are: a
// silent take meets every upper limit.
func silentFile(subject, why string) measure.Judgement {
	return measure.Judgement{
		Subject: subject, Limit: measure.AtMost("silent_files", 0), Verdict: measure.Fail,
		Advice: fmt.Sprintf("%s, which meets every upper limit: record again, and check the input; if silence is meant, limit sample_peak_dbfs to %d dBFS or less", why, meantDB),
		Got:    measure.Reading{Value: 1, Unit: "files", Definition: why, Frame: -1, Channel: -1},
	}
}

// hardlyAnything describes a sound of which the peak is no more than noise of converters or
// dither, from the readings of a meter; "": it has more, or is silent.
func hardlyAnything(readings measure.Readings) string {
	peak, ok := readings.Get("sample_peak_dbfs")
	if !ok || !peak.Measurable() || peak.Value > noSoundPeakDB {
		return ""
	}
	return fmt.Sprintf("the largest sample is at %.1f dBFS: dither or a converter's noise, and no sound; check the input", peak.Value)
}

// judgeSilence adds a failure where a file has nothing to hold, unless its groups compare it
// with another sound, which says more, or mean silence.
func (c *Checked) judgeSilence(l *Limits, m *measured) (silent bool, err error) {
	plain := slices.IndexFunc(c.groups, func(i int) bool {
		g := l.Groups[i]
		return g.Like == "" && g.Baseline == "" && !silenceIsMeant(g.Limits)
	})
	if plain < 0 {
		return false, nil
	}
	why, err := m.nothing()
	if err == nil && why != "" {
		c.judged(c.groups[plain], silentFile(c.Subject, why))
	}
	return why != "", err
}

// Unusable are the failures of a file whatever its limits are, from the warnings and the peaks
// that were read: it has lost sound, or is silent where the limits do not mean silence.
func Unusable(file string, warnings []wave.Warning, readings measure.Readings, limits []measure.Limit) (all []measure.Judgement) {
	if len(limits) == 0 {
		return nil
	}
	if at := slices.IndexFunc(warnings, func(w wave.Warning) bool { return w.Lost }); at >= 0 {
		all = append(all, damagedFile(file, warnings[at]))
	}
	if peak, ok := readings.Get("sample_peak_dbfs"); ok && peak.Beyond < 0 && !silenceIsMeant(limits) {
		all = append(all, silentFile(file, "digital silence"))
	}
	return all
}
