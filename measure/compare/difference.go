package compare

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// Kind names a way in which one version of a sound differs from another.
type Kind string

// The kinds of difference, in the order in which a summary states them. Value is in
// Unit; what else a kind sets is said beside it.
const (
	Unrelated Kind = "unrelated" // A and B are different sounds; Value: correlation
	// ChannelOrder is a channel of B that holds another one of A: Value, from 1. Nothing else
	// is then compared.
	ChannelOrder Kind = "channel-order"
	Ambiguous    Kind = "ambiguous" // B fits A at several delays; Count: how many, Value: frames between two
	Delay        Kind = "delay"     // Value: frames, more than 0 where B is later
	Drift        Kind = "drift"     // Value: ppm, more than 0 where B is longer
	Polarity     Kind = "polarity"  // B is inverted
	// PartInverted is a part of 0.2 s and more, of Frames from Frame on, in which B is
	// inverted and elsewhere is not: the longest; Count: how many.
	PartInverted Kind = "part-inverted"
	Level        Kind = "level"      // Value: dB, B over A; Frames: up to there, where it changes later
	LevelStep    Kind = "level-step" // from Frame on; Value: dB, B over A, against what was before
	Fade         Kind = "fade"       // over Frames from Frame on; Value: dB, B over A, at its end against its beginning
	// Compression and Expansion are a gain that depends on A's level: lower where A is loud,
	// lower where it is quiet. Value: dB, by how much at most.
	Compression Kind = "compression"    // LevelDBFS: it falls from there on, as Ratio to 1; both 0: not found
	Expansion   Kind = "expansion"      // LevelDBFS: it lies lower under it
	OtherSound  Kind = "other-sound"    // a channel of B does not follow that of A
	Silent      Kind = "silent-channel" // a channel of B holds nothing
	LowPass     Kind = "low-pass"       // Hz: 3 dB down; Value: dB, largest loss above it
	HighPass    Kind = "high-pass"      // Hz: 3 dB down; Value: dB, largest loss below it
	Band        Kind = "band"           // Hz: middle of the third octave; Side: −1 below it, +1 above it, 0 around it; Value: dB
	Cut         Kind = "cut"            // Frames of A from Frame on are not in B
	Insertion   Kind = "insertion"      // Frames of B that A does not have stand before A's Frame
	Missing     Kind = "missing"        // Frames of A before or behind B are not in it, a latency not counted
	Extra       Kind = "extra"          // Frames of B before or behind A are not in it, a latency not counted
	Dropout     Kind = "dropout"        // In is silent for Frames at Frame; Count: how many
	Clipped     Kind = "clipped"        // B is held at its largest value, where A is beyond; Value: dBFS, Count: samples, Frame: the first
	Offset      Kind = "offset"         // in B against A, or taken out of A; Value: dBFS, its size
	Click       Kind = "click"          // at Frame; Value: largest |sample| of the difference, dBFS; Count: how many
	Tone        Kind = "tone"           // only In has it ("": undecided); Hz, Value: dBFS (a full-scale sine is 0)
	Hum         Kind = "hum"            // only In has it ("": undecided); Hz: of the mains, Count: lines, Value: dBFS of all (a full-scale sine is 0)
	Noise       Kind = "noise"          // what is not named is steady noise, which only In has ("": undecided); Value: dBFS (rms)
	Steady      Kind = "steady"         // what is not named is of a steady level: noise, a tone or an offset; Value: dBFS (rms)
	Rest        Kind = "rest"           // the rest; Value: dBFS (rms)
)

// A Difference is one way in which B differs from A: what kind, where and by how much.
// Fields that its kind does not name are 0, Frame and Channel −1.
type Difference struct {
	Kind                Kind
	Channel             int     // from 0; −1: all of them
	In                  string  // "A" or "B": the one that has what the other one lacks
	Frame               int64   // of A at the files' rate; −1: everywhere
	Frames              int64   // how long
	Within              int64   // by how many frames Frame and Frames may be off; 0: exact, or as the kind says
	Count               int64   // how many of this kind; the other fields describe the largest
	Hz                  float64 // frequency
	Side                int     // of the frequency: below −1, around 0, above +1
	Value               float64
	QuietDBFS, LoudDBFS float64 // levels of A, mathematical rms
	Unit                string  // of Value: frames, ppm, dB, dBFS; "" for a correlation

	rate int
}

// difference is a Difference of everything everywhere.
func (c *Comparison) difference(kind Kind, value float64, unit string) Difference {
	return Difference{Kind: kind, Channel: -1, Frame: -1, Value: value, Unit: unit, rate: c.Rate}
}

// MarshalJSON writes the fields that the difference has; channels count from 1.
func (d Difference) MarshalJSON() ([]byte, error) {
	o := struct {
		Kind      Kind     `json:"kind"`
		Text      string   `json:"text"`
		Channel   int      `json:"channel,omitempty"`
		In        string   `json:"in,omitempty"`
		Frame     *int64   `json:"frame,omitempty"`
		Frames    int64    `json:"frames,omitempty"`
		Within    int64    `json:"within_frames,omitempty"`
		Count     int64    `json:"count,omitempty"`
		Hz        float64  `json:"hz,omitempty"`
		Value     *float64 `json:"value,omitempty"`
		QuietDBFS float64  `json:"quiet_dbfs,omitempty"`
		LoudDBFS  float64  `json:"loud_dbfs,omitempty"`
		Unit      string   `json:"unit,omitempty"`
	}{Kind: d.Kind, Text: d.String(), Channel: d.Channel + 1, In: d.In, Frames: d.Frames, Within: d.Within, Count: d.Count, Hz: measure.JSONValue(d.Hz), QuietDBFS: d.QuietDBFS, LoudDBFS: d.LoudDBFS, Unit: d.Unit}
	if d.Frame >= 0 {
		o.Frame = &d.Frame
	}
	if (d.Unit != "" || d.Kind == Unrelated) && d.Value-d.Value == 0 {
		value := measure.JSONValue(d.Value)
		o.Value = &value
	}
	return json.Marshal(o)
}

// String is the difference as a clause about B: "is 14 frames later", "has one click
// at 00:00:06.250, -26.0 dBFS".
func (d Difference) String() string {
	verb, rest := d.clause()
	return verb + " " + rest
}

// clause is the verb of the clause about B, "is" or "has", and what follows.
func (d Difference) clause() (verb, rest string) {
	channel := ""
	if d.Channel >= 0 {
		channel = fmt.Sprintf(" in channel %d", d.Channel+1)
	}
	word := func(more, less string) string {
		if d.Value < 0 {
			return less
		}
		return more
	}
	size := math.Abs(d.Value)
	switch d.Kind {
	case Unrelated:
		return "is", "another sound"
	case ChannelOrder:
		return "has", fmt.Sprintf("channel %.0f of A%s", d.Value, channel)
	case Ambiguous:
		if d.Value == 0 {
			return "has", fmt.Sprintf("an ambiguous place: %d delays fit as well", d.Count)
		}
		return "has", fmt.Sprintf("an ambiguous place: the sound repeats, and delays %s apart fit as well (%d were found)", framesText(d.Value), d.Count)
	case Delay:
		return "is", framesText(size) + word(" later", " earlier") + channel
	case Drift:
		return "is", fmt.Sprintf("%.2f ppm %s", size, word("longer", "shorter"))
	case Polarity:
		if channel != "" {
			return "is", "inverted" + channel
		}
		return "is", "inverted in polarity"
	case PartInverted:
		text := fmt.Sprintf("inverted%s from %s to %s", channel, d.time(), measure.TimeCode(d.Frame+d.Frames, d.rate))
		if d.Within > 0 {
			text += fmt.Sprintf(" (±%.0f ms)", math.Ceil(float64(d.Within)*1000/float64(max(1, d.rate))))
		}
		if d.Count > 1 {
			text = fmt.Sprintf("inverted%s in %d parts, the longest%s", channel, d.Count, strings.TrimPrefix(text, "inverted"+channel))
		}
		return "is", text + " and not elsewhere"
	case Level:
		if d.Frames > 0 {
			return "is", fmt.Sprintf("%.2f dB %s until about %s", size, word("louder", "quieter"), measure.TimeCode(d.Frames, d.rate))
		}
		return "is", fmt.Sprintf("%.2f dB %s%s", size, word("louder", "quieter"), channel)
	case LevelStep:
		return "is", fmt.Sprintf("%.2f dB %s than before from about %s on", size, word("louder", "quieter"), d.time())
	case Fade:
		return "is", fmt.Sprintf("faded %s by %.2f dB over %s from about %s on", word("up", "down"), size, d.length(), d.time())
	case Compression:
		return "has", fmt.Sprintf("a gain that falls by %s from %.0f to %.0f dBFS of A (compression)", someDB(size), d.QuietDBFS, d.LoudDBFS)
	case Expansion:
		return "has", fmt.Sprintf("a gain that is %s lower where A is under about %.0f dBFS (expansion)", someDB(size), d.QuietDBFS)
	case OtherSound:
		return "is", "another sound" + channel + ", or the same at another time"
	case Silent:
		return "is", "silent" + channel
	case LowPass:
		return "is", fmt.Sprintf("low-passed at %s (3 dB down), %s down above it", spectra.HzText(d.Hz), lossText(size))
	case HighPass:
		return "is", fmt.Sprintf("high-passed at %s (3 dB down), %s down below it", spectra.HzText(d.Hz), lossText(size))
	case Band:
		where := [...]string{"below", "around", "above"}[d.Side+1]
		return "is", fmt.Sprintf("%s %s %s %s", someDB(size), word("up", "down"), where, spectra.HzText(d.Hz))
	case Cut:
		return "has", fmt.Sprintf("%s missing %s", d.inFrames(), d.place())
	case Insertion:
		return "has", fmt.Sprintf("%s more %s", d.inFrames(), d.place())
	case Missing:
		return "has", d.length() + " less at its ends"
	case Extra:
		return "has", d.length() + " more at its ends"
	case Dropout:
		off := ""
		if d.Within > 0 {
			off = fmt.Sprintf(" (±%.2g ms)", float64(d.Within)*1000/float64(max(1, d.rate)))
		}
		text := fmt.Sprintf("for %s%s at %s", d.length(), off, d.time())
		if d.Count > 1 {
			text = fmt.Sprintf("in %d places for %s%s at most, first at %s", d.Count, d.length(), off, d.time())
		}
		if d.In == "A" {
			return "has", "sound where A is silent, " + text
		}
		return "is", "silent " + text
	case Clipped:
		return "is", fmt.Sprintf("clipped%s at %.2f dBFS (%s, the first at %s)", channel, d.Value, dsp.Plural(int(d.Count), "sample"), d.time())
	case Offset:
		if d.In == "A" {
			return "has", fmt.Sprintf("no constant offset%s (A has one of %.1f dBFS)", channel, d.Value)
		}
		return "has", fmt.Sprintf("a constant offset of %.1f dBFS against A%s", d.Value, channel)
	case Click:
		text := "one click" + channel + " at "
		if d.Count > 1 {
			text = fmt.Sprintf("%d clicks, the largest%s at ", d.Count, channel)
		}
		return "has", fmt.Sprintf("%s%s, %.1f dBFS", text, d.time(), d.Value)
	case Tone:
		if d.In == "A" {
			return "has", fmt.Sprintf("no tone of %s (A has it at %.1f dBFS)", spectra.HzText(d.Hz), d.Value)
		}
		if d.In == "" {
			return "has", fmt.Sprintf("a tone of %s at %.1f dBFS in the difference (A or B has it)", spectra.HzText(d.Hz), d.Value)
		}
		return "has", fmt.Sprintf("a tone of %s at %.1f dBFS", spectra.HzText(d.Hz), d.Value)
	case Hum:
		lines := "one line"
		if d.Count != 1 {
			lines = fmt.Sprintf("%d lines", d.Count)
		}
		if d.In == "A" {
			return "has", fmt.Sprintf("no hum of %s (A has it at %.1f dBFS, %s)", spectra.HzText(d.Hz), d.Value, lines)
		}
		if d.In == "" {
			return "has", fmt.Sprintf("hum of %s at %.1f dBFS in the difference (%s; A or B has it)", spectra.HzText(d.Hz), d.Value, lines)
		}
		return "has", fmt.Sprintf("added hum of %s at %.1f dBFS (%s)", spectra.HzText(d.Hz), d.Value, lines)
	case Noise:
		switch d.In {
		case "A":
			return "has", fmt.Sprintf("none of A's noise, which is at %.1f dBFS", d.Value)
		case "B":
			return "has", fmt.Sprintf("added noise at %.1f dBFS", d.Value)
		}
		return "has", fmt.Sprintf("a noise-like difference at %.1f dBFS", d.Value)
	case Steady:
		return "has", fmt.Sprintf("a steady difference at %.1f dBFS (noise, a tone or an offset)", d.Value)
	}
	return "has", fmt.Sprintf("a remaining difference of %.1f dBFS", d.Value)
}

func (d Difference) time() string { return measure.TimeCode(d.Frame, d.rate) }

// place is where something was cut out or put in.
func (d Difference) place() string {
	if d.Within > 0 {
		return fmt.Sprintf("at %s ±%.2g ms", d.time(), float64(d.Within)*1000/float64(max(1, d.rate)))
	}
	return fmt.Sprintf("at %s (frame %d)", d.time(), d.Frame)
}

// inFrames is how long it lasts, in frames and, from 2 ms on, in units of time.
func (d Difference) inFrames() string {
	frames, length := dsp.Plural(d.Frames, "frame"), d.length()
	if frames == length {
		return frames
	}
	return frames + " (" + length + ")"
}

// length is how long it lasts: in frames under 2 ms; of a dropout to 0.1 ms.
func (d Difference) length() string {
	ms := float64(d.Frames) * 1000 / float64(max(1, d.rate))
	switch {
	case ms < 2:
		return framesText(float64(d.Frames))
	case ms >= 1000:
		return fmt.Sprintf("%.4g s", ms/1000)
	case d.Kind == Dropout:
		return fmt.Sprintf("%.1f ms", ms)
	}
	return fmt.Sprintf("%.4g ms", ms)
}

// framesText is a number of frames with as many decimals as it has, two at most.
func framesText(frames float64) string {
	text := strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%.2f", math.Abs(frames)), "0"), ".")
	if text == "1" {
		return "1 frame"
	}
	return text + " frames"
}

func someDB(db float64) string {
	if db < 0.95 {
		return fmt.Sprintf("%.2g dB", db)
	}
	return fmt.Sprintf("%.1f dB", db)
}

func lossText(db float64) string { return fmt.Sprintf("%.0f dB", db) }
