package listen

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/compare"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// The number of versions that a page can hold. Each has a digit key.
const (
	FewestVersions = 2
	MostVersions   = 6
)

// DefaultSeconds is the longest excerpt in seconds unless Settings.MostSeconds is set: short
// enough to remember (common practice, no source), and some MB of page.
const DefaultSeconds = 60

// Level is the method that matches the levels of the versions.
type Level int

const (
	Loudness     Level = iota // equal integrated loudness of the excerpts, Rec. ITU-R BS.1770-5
	LeastSquares              // the gains that leave the smallest differences to the first version
)

func (l Level) String() string {
	if l == LeastSquares {
		return "least squares against version 1"
	}
	return "integrated loudness of the excerpt, Rec. ITU-R BS.1770-5"
}

// Settings describe the excerpt and the matching.
type Settings struct {
	From, To    float64 // seconds of the first version; To 0: to its end
	MostSeconds float64 // 0: DefaultSeconds
	Level       Level
	Unaligned   bool // no alignment, for sounds that are not versions of one
	Difference  bool // also prepare each further version minus the first one
}

// Source is one version before it is prepared.
type Source struct {
	Name string
	Open func() (wave.Source, error)
}

// Comparison is the aligned versions of a page, at one level.
type Comparison struct {
	Settings
	Rate, Channels int
	FirstFrame     int64 // the frame of version 1 where the excerpt begins
	Versions       []Version
	Differences    []Version // one per further version, or none
}

// Version is one version as it sounds in the page.
type Version struct {
	Name        string
	Planes      dsp.Block // planar, channels x frames, before rounding to 16 bits
	GainDB      float64   // applied gain, at most 0
	Loudness    measure.Reading
	DelayFrames float64 // how much later it was than version 1, in frames
	Inverted    bool    // its polarity was opposite to version 1; Planes has it inverted
}

// NotOneSoundError is the error for a file that is not a version of the first one.
type NotOneSoundError struct{ First, Other string }

func (e *NotOneSoundError) Error() string {
	return fmt.Sprintf("%s is not a version of %s: they do not correlate anywhere; accepted: versions of one sound, or no alignment", e.Other, e.First)
}

// longestSeconds bounds times, so that their frames can be counted.
const longestSeconds = 1e9

// Prepare reads the excerpt of every version, aligns them with the first one and matches their
// levels. Its error is a *NotOneSoundError where a file is not a version of the first one, and
// a *TooLargeError where the excerpt is longer than Settings allow.
func Prepare(ctx context.Context, sources []Source, s Settings) (*Comparison, error) {
	if len(sources) < FewestVersions || len(sources) > MostVersions {
		return nil, fmt.Errorf("found %d versions; accepted: %d to %d", len(sources), FewestVersions, MostVersions)
	}
	if s.MostSeconds == 0 {
		s.MostSeconds = DefaultSeconds
	}
	if !(s.From >= 0) || !(s.To >= 0) || !(s.MostSeconds > 0) || max(s.From, s.To, s.MostSeconds) > longestSeconds {
		return nil, fmt.Errorf("found an excerpt from %g s to %g s, of up to %g s; accepted: times from 0 on, and a finite length", s.From, s.To, s.MostSeconds)
	}
	for _, source := range sources {
		if source.Open == nil {
			return nil, fmt.Errorf("%s: found no function that opens it; accepted: a Source with Open set", source.Name)
		}
	}
	c := &Comparison{Settings: s}
	first, err := c.excerpt(ctx, sources[0])
	if err != nil {
		return nil, fmt.Errorf("%s: %w", sources[0].Name, err)
	}
	c.Versions = []Version{{Name: sources[0].Name, Planes: first}}
	from, to := 0, first.Frames()
	var gains = []float64{1} // of each version against the first; negative: opposite polarity
	var residuals []dsp.Block
	for _, source := range sources[1:] {
		v, residual, gain, begin, err := c.version(ctx, first, source, sources[0].Name)
		if err != nil {
			return nil, err
		}
		from, to = max(from, begin), min(to, begin+v.Planes.Frames())
		// Shorter versions are moved to the first one's frames: all begin at frame 0.
		v.Planes = pad(v.Planes, begin, first.Frames())
		if residual != nil {
			residual = pad(residual, begin, first.Frames())
		}
		c.Versions, gains, residuals = append(c.Versions, v), append(gains, gain), append(residuals, residual)
	}
	if to-from < c.Rate/2 {
		return nil, fmt.Errorf("the versions share %d frames of the excerpt; accepted: half a second, %d frames at least", max(0, to-from), c.Rate/2)
	}
	c.FirstFrame += int64(from)
	for i := range c.Versions {
		c.Versions[i].Planes = part(c.Versions[i].Planes, from, to)
	}
	if err := c.match(gains); err != nil {
		return nil, err
	}
	if s.Difference {
		own := dsp.DBToAmplitude(c.Versions[0].GainDB)
		for i, r := range residuals {
			r = part(r, from, to)
			scale(r, own)
			c.Differences = append(c.Differences, Version{
				Name: fmt.Sprintf("%s less %s", c.Versions[i+1].Name, c.Versions[0].Name), Planes: r, GainDB: c.Versions[0].GainDB,
			})
		}
	}
	return c, nil
}

// excerpt reads the excerpt of the first version.
func (c *Comparison) excerpt(ctx context.Context, source Source) (dsp.Block, error) {
	src, err := planes.Until(ctx, source.Open)()
	if err != nil {
		return nil, err
	}
	defer planes.Close(src)
	f := src.Format()
	c.Rate, c.Channels = f.Rate, f.Channels
	if f.Channels > 2 {
		return nil, fmt.Errorf("found %s; accepted: 1 or 2, for headphones", dsp.Plural(f.Channels, "channel"))
	}
	from := int64(math.Round(c.From * float64(f.Rate)))
	most := int64(math.Round(c.MostSeconds * float64(f.Rate)))
	want := most + 1
	if c.To > 0 {
		if want = int64(math.Round(c.To*float64(f.Rate))) - from; want <= 0 {
			return nil, fmt.Errorf("the excerpt ends before it begins: from %g s to %g s", c.From, c.To)
		}
	}
	if want > most && c.To > 0 {
		return nil, c.tooLong(float64(want) / float64(f.Rate))
	}
	b, err := read(src, from, want)
	if err != nil {
		return nil, err
	}
	if int64(b.Frames()) > most {
		seconds := 0.0
		if known, ok := planes.Unwrap(src).(interface{ Frames() int64 }); ok {
			seconds = float64(known.Frames()-from) / float64(f.Rate)
		}
		return nil, c.tooLong(seconds)
	}
	if b.Frames() < f.Rate/2 {
		return nil, fmt.Errorf("found %.3f s from %g s on; accepted: half a second at least", float64(b.Frames())/float64(f.Rate), c.From)
	}
	c.FirstFrame = from
	return b, nil
}

func (c *Comparison) tooLong(seconds float64) error {
	found := fmt.Sprintf("more than %g s", c.MostSeconds) // of a source that does not state its length
	if seconds > 0 {
		found = fmt.Sprintf("%.1f s", seconds)
	}
	if c.From > 0 {
		found += fmt.Sprintf(" from %g s on", c.From)
	}
	return &TooLargeError{fmt.Sprintf("found %s; accepted: an excerpt of up to %g s, for example from %g s to %g s", found, c.MostSeconds, c.From, c.From+c.MostSeconds)}
}

// TooLargeError is the error for an excerpt or a page that is too large. It states the
// largest one that is accepted.
type TooLargeError struct{ text string }

func (e *TooLargeError) Error() string { return e.text }

// read reads at most n frames, starting at frame from.
func read(src wave.Source, from, n int64) (dsp.Block, error) {
	room := int64(0) // capacity in frames, where the length is known: growing costs more than reading
	if f, ok := src.(interface{ Frames() int64 }); ok {
		room = max(0, min(n, f.Frames()-from))
	}
	sink := wave.NewMemory(src.Format(), withRoom(src.Format().Channels, int(room)))
	if s, ok := src.(interface{ SeekFrame(int64) error }); ok && from > 0 && s.SeekFrame(from) == nil {
		from = 0 // nothing is left to skip; other sources are read from their start
	}
	block := dsp.NewBlock(src.Format().Channels, 1<<14)
	for n > 0 {
		k, err := planes.ReadFull(src, block)
		part := planes.Before(block, k)
		if skipped := min(from, int64(k)); skipped > 0 {
			from -= skipped
			part = planes.After(part, int(skipped))
		}
		part = planes.Before(part, int(min(n, int64(part.Frames()))))
		n -= int64(part.Frames())
		if i := planes.FirstNonFinite(part); i >= 0 {
			return nil, errors.New("found a NaN or infinite sample; accepted: numbers")
		}
		if err := sink.Write(part); err != nil {
			return nil, err
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, err
		}
	}
	return sink.Planes(), nil
}

// version aligns a version with the first one's excerpt. begin is the first frame of the
// excerpt that the version covers. residual, where the difference is wanted, is the
// version less the first one, at the first one's level.
func (c *Comparison) version(ctx context.Context, first dsp.Block, source Source, name string) (v Version, residual dsp.Block, gain float64, begin int, err error) {
	v.Name = source.Name
	format := wave.Unquantised(c.Rate, c.Channels)
	open := func() (wave.Source, error) { return wave.NewMemory(format, first), nil }
	sink := wave.NewMemory(format, withRoom(c.Channels, first.Frames()))
	if c.Unaligned {
		src, err := planes.Until(ctx, source.Open)()
		if err != nil {
			return v, nil, 0, 0, err
		}
		defer planes.Close(src)
		if f := src.Format(); f.Rate != c.Rate || f.Channels != c.Channels {
			return v, nil, 0, 0, c.otherFormat(source.Name, f)
		}
		if v.Planes, err = read(src, c.FirstFrame, int64(first.Frames())); err != nil {
			return v, nil, 0, 0, fmt.Errorf("%s: %w", source.Name, err)
		}
		if v.Planes.Frames() == 0 {
			return v, nil, 0, 0, fmt.Errorf("%s ends before the excerpt, which begins at %s", source.Name, measure.TimeCode(c.FirstFrame, c.Rate))
		}
		gain = leastSquares(first, v.Planes)
		if c.Difference {
			residual = copied(v.Planes)
			if gain != 0 {
				scale(residual, 1/gain)
			}
			subtract(residual, first)
		}
		return v, residual, gain, 0, nil
	}
	result, start, err := c.compared(ctx, open, source, sink)
	if different := (*compare.FormatsDifferError)(nil); errors.As(err, &different) {
		return v, nil, 0, 0, c.otherFormat(source.Name, different.B)
	}
	if err != nil {
		return v, nil, 0, 0, fmt.Errorf("%s: %w", source.Name, err)
	}
	if !result.Same || sink.Frames() == 0 {
		return v, nil, 0, 0, &NotOneSoundError{name, source.Name}
	}
	for _, d := range result.Differences() {
		if (d.Kind == compare.Cut || d.Kind == compare.Insertion) && d.Frame > result.From && d.Frame < result.To {
			return v, nil, 0, 0, fmt.Errorf("%s: at %s sound is cut out or inserted; accepted: an excerpt without an edit", source.Name, measure.TimeCode(c.FirstFrame+d.Frame, c.Rate))
		}
	}
	if int64(sink.Frames()) != result.To-result.From {
		return v, nil, 0, 0, fmt.Errorf("%s: %d frames of the excerpt were compared, instead of %d", source.Name, sink.Frames(), result.To-result.From)
	}
	readings := result.Readings()
	polarity, _ := readings.Get("polarity")
	delay, _ := readings.Get("delay_frames")
	v.DelayFrames = delay.Value + float64(start-c.FirstFrame)
	v.Inverted = polarity.Value < 0
	gain = math.Abs(result.MatchedGain())
	// The difference of package compare is the version, aligned and at the level of the first
	// one, minus the first one.
	v.Planes = sink.Planes()
	if c.Difference {
		residual = copied(v.Planes)
	}
	add(v.Planes, part(first, int(result.From), int(result.To)))
	scale(v.Planes, gain)
	return v, residual, gain, int(result.From), nil
}

// searched is how far around its own time the excerpt is first looked for in a version: two
// recorders of one talk are mostly started closer together (common practice, no source).
const searched = 20 // seconds

// compared looks for the excerpt in a version, first near its time, then everywhere. start is
// the frame of the version from which the comparison counts.
func (c *Comparison) compared(ctx context.Context, excerpt func() (wave.Source, error), source Source, sink *wave.Memory) (*compare.Comparison, int64, error) {
	src, err := planes.Until(ctx, source.Open)()
	if err != nil {
		return nil, 0, err
	}
	defer planes.Close(src)
	start := max(0, c.FirstFrame-int64(searched*c.Rate))
	first, _ := excerpt()
	frames := first.(*wave.Memory).Frames()
	near, err := read(src, start, c.FirstFrame-start+frames+int64(searched*c.Rate))
	if err != nil {
		return nil, 0, err
	}
	f := src.Format()
	result, err := compare.Sounds(ctx, excerpt, func() (wave.Source, error) {
		return wave.NewMemory(wave.Unquantised(f.Rate, f.Channels), near), nil
	}, compare.Settings{Residual: sink, Brief: true})
	if err != nil || result.Same {
		return result, start, err
	}
	result, err = compare.Sounds(ctx, excerpt, source.Open, compare.Settings{Residual: sink, Brief: true})
	return result, 0, err
}

func (c *Comparison) otherFormat(name string, f wave.Format) error {
	return fmt.Errorf("%s: found %s at %d Hz; accepted: %d at %d Hz, as version 1 has them", name, dsp.Plural(f.Channels, "channel"), f.Rate, c.Channels, c.Rate)
}

// match lowers all versions to the level of the quietest.
func (c *Comparison) match(gains []float64) error {
	levels := make([]float64, len(c.Versions)) // dB, with an arbitrary reference
	for i := range c.Versions {
		v := &c.Versions[i]
		meter, err := measure.NewLoudness(measure.LoudnessSettings{Rate: c.Rate, Channels: c.Channels})
		if err != nil {
			return err
		}
		meter.Write(v.Planes)
		v.Loudness, _ = meter.Readings().Get("integrated_lufs")
		switch {
		case c.Level == LeastSquares && gains[i] == 0:
			return fmt.Errorf("%s: least squares finds no gain against %s; accepted: sounds that correlate, or levels by loudness", v.Name, c.Versions[0].Name)
		case c.Level == LeastSquares:
			levels[i] = dsp.AmplitudeToDB(math.Abs(gains[i]))
		case !v.Loudness.Measurable():
			return fmt.Errorf("%s: its loudness in the excerpt is %v", v.Name, v.Loudness)
		default:
			levels[i] = v.Loudness.Value
		}
	}
	quietest := levels[0]
	for _, l := range levels {
		quietest = min(quietest, l)
	}
	for i := range c.Versions {
		v := &c.Versions[i]
		v.GainDB = quietest - levels[i]
		scale(v.Planes, dsp.DBToAmplitude(v.GainDB))
	}
	return nil
}
