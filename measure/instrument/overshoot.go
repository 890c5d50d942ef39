package instrument

import (
	"context"
	"fmt"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// Overshoot measures by how much a sound exceeds its declared ceiling. The sound is a file or a
// device's response (see [OvershootOf]).
type Overshoot struct {
	ceilingDBTP float64
	peaks       *measure.TruePeak
	overs       *measure.Overs
	image       *imageShift
	noImage     string // the reason why there is no image shift
}

// NewOvershoot makes the meter.
func NewOvershoot(s measure.OverSettings) (*Overshoot, error) {
	peaks, err := measure.NewTruePeak(s.Rate, s.Channels)
	if err != nil {
		return nil, err
	}
	overs, err := measure.NewOvers(s)
	if err != nil {
		return nil, err
	}
	return &Overshoot{
		ceilingDBTP: s.CeilingDBTP, peaks: peaks, overs: overs,
		image: newImageShift(s.Rate, s.Channels, s.CeilingDBTP), noImage: "there is no stimulus to compare with",
	}, nil
}

// Write takes the next block.
func (o *Overshoot) Write(b dsp.Block) {
	o.peaks.Write(b)
	o.overs.Write(b)
}

// Events are those of [measure.Overs].
func (o *Overshoot) Events() (worst []measure.Over, count int64) { return o.overs.Events() }

// Readings returns overshoot_sample_db, overshoot_annex2_db (as a meter reads it: the larger of
// the samples and the interpolator) and overshoot_fine_db, which are below 0 where the sound
// stays under the ceiling; those of [measure.Overs]; and image_shift_db.
func (o *Overshoot) Readings() measure.Readings {
	var all measure.Readings
	peaks := o.peaks.Readings()
	for _, pair := range [][2]string{
		{"overshoot_sample_db", "sample_peak_dbfs"}, {"overshoot_annex2_db", "true_peak_dbtp"}, {"overshoot_fine_db", "true_peak_fine_dbtp"},
	} {
		r, _ := peaks.Get(pair[1])
		r.Unit, r.Reference = "dB", fmt.Sprintf("%g dBTP", o.ceilingDBTP)
		r.Definition = pair[1] + " less the ceiling: " + r.Definition
		if r.Measurable() {
			r.Value -= o.ceilingDBTP
		}
		all = append(all, measure.Named{Name: pair[0], Reading: r})
	}
	all = append(all, o.overs.Readings()...)
	reason := o.noImage
	if unmeasurable := o.overs.Reason(); unmeasurable != "" {
		reason = unmeasurable
	}
	return append(all, o.image.reading(reason))
}

// OvershootOf puts a stimulus through a device, after a gain in dB, and measures the response.
// It opens the stimulus twice, for the device and for comparison with the response, and closes
// both. Rate and channels of the settings are the stimulus's.
func OvershootOf(ctx context.Context, d Device, open func() (wave.Source, error), driveDB float64, s measure.OverSettings) (*Overshoot, error) {
	if d == nil {
		return nil, errNoDevice
	}
	stimulus, err := open()
	if err != nil {
		return nil, err
	}
	defer planes.Close(stimulus)
	again, err := open()
	if err != nil {
		return nil, err
	}
	defer planes.Close(again)
	f := stimulus.Format()
	s.Rate, s.Channels = f.Rate, f.Channels
	o, err := NewOvershoot(s)
	if err != nil {
		return nil, err
	}
	gain := dsp.DBToAmplitude(driveDB)
	r := &overshootResponse{Overshoot: o}
	o.noImage = oneChannel
	if f.Channels > 1 {
		r.lined = newDelayMatcher(&amplified{again, gain}, o.image.write)
	}
	if err := d.Respond(ctx, &amplified{stimulus, gain}, r); err != nil {
		return nil, err
	}
	if r.lined != nil {
		err = r.lined.end()
		o.noImage = r.lined.reason
	}
	return o, err
}

// OvershootOfSound measures a sound without a device. Rate and channels of the settings are the
// sound's.
func OvershootOfSound(ctx context.Context, open func() (wave.Source, error), s measure.OverSettings) (*Overshoot, error) {
	src, err := open()
	if err != nil {
		return nil, err
	}
	defer planes.Close(src)
	s.Rate, s.Channels = src.Format().Rate, src.Format().Channels
	o, err := NewOvershoot(s)
	if err != nil {
		return nil, err
	}
	return o, measure.EachBlock(ctx, src, o.Write)
}

// overshootResponse is the sink of a device's response.
type overshootResponse struct {
	*Overshoot
	lined *delayMatcher // nil: no image shift is measured
}

func (r *overshootResponse) Write(b dsp.Block) error {
	r.Overshoot.Write(b)
	if r.lined == nil {
		return nil
	}
	return r.lined.Write(b)
}
