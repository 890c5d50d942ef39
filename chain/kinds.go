package chain

import "github.com/boothbench/boothbench/dsp"

// The tables of the stage kinds. "Common practice, no source" marks a default
// or a range that the trade uses and no document states.

const practice = "common practice, no source"

const giannoulis = "Giannoulis, Massberg, Reiss, JAES 60(6) 2012"

func kinds() []*table {
	return []*table{highpass(), expander(), compressor(), equaliser(), deesser(), limiter(), gain(), polarity(), delay()}
}

func tableOf(kind string) *table {
	for _, t := range kinds() {
		if t.name == kind {
			return t
		}
	}
	return nil
}

// settingsOf is what every table's fresh and settle do.
func settingsOf[S any](t *table) *table {
	t.fresh = func() any { return new(S) }
	t.settle = func(settings any) any { return *settings.(*S) }
	return t
}

func highpass() *table {
	type S = dsp.HighPassSettings
	return settingsOf[S](&table{
		name:    "highpass",
		summary: "Butterworth high-pass: takes away rumble, plosives' thump and DC; no latency",
		fields: []field{
			of(field{key: "corner_hz", unit: "Hz", kind: number, low: 5, high: 2000, preset: 80.0, nyquist: true,
				help:   "frequency at which the response is -3.01 dB; keep it a third of an octave under the voice's lowest note",
				source: "Butterworth response; 60 to 100 Hz for voice: " + practice}, func(s *S) *float64 { return &s.CornerHz }),
			of(field{key: "slope_db_per_octave", unit: "dB/oct", kind: integer, low: 6, high: 48, step: 6, preset: 12,
				help:   "steepness far below the corner, in steps of 6: 6 dB for each order of the filter",
				source: "Butterworth response, orders 1 to 8"}, func(s *S) *int { return &s.SlopeDBPerOctave }),
		},
	})
}

// detectorWords are the detectors' names in a file.
var (
	detectorWords  = []string{"peak", "rms"}
	detectorValues = []dsp.DetectorKind{dsp.Peak, dsp.RMS}
)

const (
	detectorHelp = "how level is measured: peak (largest sample of the window) or rms (root mean square; a tone reads 3.01 dB lower)"
	windowHelp   = "how far back the detector looks; covers half a period (peak) or a period (rms) of the lowest tone that should not ripple"
	sidechain    = "corner of a 12 dB/oct high-pass in the detector's path alone, so that rumble does not move the gain; 0: none"
	linkHelp     = "one gain for all channels, from the loudest, so that the stereo image stays"
	lookHelp     = "delay of the sound against the gain, so that the gain has moved when a sudden sound arrives; this is latency"
)

func expander() *table {
	type S = dsp.ExpanderSettings
	return settingsOf[S](&table{
		name:    "expander",
		summary: "downward expander: lowers what is under a threshold, such as the room between words",
		fields: []field{
			of(field{key: "threshold_dbfs", unit: "dBFS", kind: number, low: -120, high: 0, required: true, starter: -50.0,
				help:   "level under which it lowers; set it above the room's noise and under the softest speech, on the detector's scale",
				source: practice}, func(s *S) *float64 { return &s.ThresholdDBFS }),
			of(field{key: "ratio", unit: "dB out per dB in", kind: number, low: 1, high: 20, preset: 2.0,
				help:   "slope under the threshold: at 2, sound 10 dB under it comes out 20 dB under it",
				source: giannoulis + "; 1.5 to 3 for voice: " + practice}, func(s *S) *float64 { return &s.Ratio }),
			of(field{key: "knee_db", unit: "dB", kind: number, low: 0, high: 30, preset: 0.0,
				help:   "width of the soft bend around the threshold; it is fully open half of it above",
				source: giannoulis}, func(s *S) *float64 { return &s.KneeDB }),
			of(field{key: "range_db", unit: "dB", kind: number, low: 0, high: 100, preset: 12.0,
				help:   "the most that it lowers; a small range keeps the room from coming and going",
				source: "6 to 15 for voice: " + practice}, func(s *S) *float64 { return &s.RangeDB }),
			of(field{key: "hysteresis_db", unit: "dB", kind: number, low: 0, high: 30, preset: 3.0,
				help:   "once open, it stays open down to this far under the level at which it opened, so that it does not chatter",
				source: practice}, func(s *S) *float64 { return &s.HysteresisDB }),
			of(field{key: "attack_ms", unit: "ms", kind: number, low: 0, high: 500, preset: 1.0,
				help:   "time constant of opening: time to 63.2 % (1 - 1/e) of a change in dB",
				source: giannoulis + "; 1 to 5 for voice: " + practice}, func(s *S) *float64 { return &s.AttackMs }),
			of(field{key: "hold_ms", unit: "ms", kind: number, low: 0, high: 5000, preset: 60.0,
				help:   "how long it stays open after the level fell, so that word endings live",
				source: "50 to 150 for voice: " + practice}, func(s *S) *float64 { return &s.HoldMs }),
			of(field{key: "release_ms", unit: "ms", kind: number, low: 0, high: 5000, preset: 120.0,
				help:   "time constant of closing: time to 63.2 % (1 - 1/e) of a change in dB",
				source: giannoulis + "; 100 to 300 for voice: " + practice}, func(s *S) *float64 { return &s.ReleaseMs }),
			of(field{key: "lookahead_ms", unit: "ms", kind: number, low: 0, high: 50, preset: 5.0,
				help: lookHelp, source: practice}, func(s *S) *float64 { return &s.LookaheadMs }),
			ofWord(field{key: "detector", preset: "rms", help: detectorHelp, source: giannoulis + "; rms is steadier on noise"},
				detectorWords, detectorValues, func(s *S) *dsp.DetectorKind { return &s.Detector }),
			of(field{key: "detector_window_ms", unit: "ms", kind: number, low: 0.1, high: 500, preset: 20.0,
				help: windowHelp, source: practice}, func(s *S) *float64 { return &s.DetectorWindowMs }),
			of(field{key: "sidechain_highpass_hz", unit: "Hz", kind: number, low: 0, high: 2000, preset: 80.0, nyquist: true,
				help: sidechain, source: practice}, func(s *S) *float64 { return &s.SidechainHighPassHz }),
			of(field{key: "link_channels", kind: boolean, preset: true, help: linkHelp, source: practice},
				func(s *S) *bool { return &s.LinkChannels }),
		},
	})
}

func compressor() *table {
	type S = dsp.CompressorSettings
	return settingsOf[S](&table{
		name:    "compressor",
		summary: "compressor: lowers what is over a threshold, so that the voice keeps a steadier level",
		fields: []field{
			of(field{key: "threshold_dbfs", unit: "dBFS", kind: number, low: -120, high: 0, required: true, starter: -20.0,
				help:   "level over which it lowers, on the detector's scale",
				source: practice}, func(s *S) *float64 { return &s.ThresholdDBFS }),
			of(field{key: "ratio", unit: "dB in per dB out", kind: number, low: 1, high: 100, preset: 3.0,
				help:   "slope over the threshold: at 3, sound 9 dB over it comes out 3 dB over it",
				source: giannoulis + "; 2 to 4 for voice: " + practice}, func(s *S) *float64 { return &s.Ratio }),
			of(field{key: "knee_db", unit: "dB", kind: number, low: 0, high: 40, preset: 6.0,
				help:   "width of the soft bend around the threshold; 0 is a hard corner",
				source: giannoulis}, func(s *S) *float64 { return &s.KneeDB }),
			of(field{key: "attack_ms", unit: "ms", kind: number, low: 0, high: 500, preset: 5.0,
				help:   "time constant of the gain falling: time to 63.2 % (1 - 1/e) of a change in dB",
				source: giannoulis + "; 5 to 20 for voice: " + practice}, func(s *S) *float64 { return &s.AttackMs }),
			of(field{key: "hold_ms", unit: "ms", kind: number, low: 0, high: 5000, preset: 0.0,
				help:   "how long the gain waits before it rises again, on top of the detector's window",
				source: practice}, func(s *S) *float64 { return &s.HoldMs }),
			of(field{key: "release_ms", unit: "ms", kind: number, low: 0, high: 5000, preset: 100.0,
				help:   "time constant of the gain rising: time to 63.2 % (1 - 1/e) of a change in dB",
				source: giannoulis + "; 80 to 250 for voice: " + practice}, func(s *S) *float64 { return &s.ReleaseMs }),
			of(field{key: "makeup_db", unit: "dB", kind: number, low: -40, high: 40, preset: 0.0,
				help:   "fixed gain after compression; it is never automatic, so that a louder result is a choice",
				source: practice}, func(s *S) *float64 { return &s.MakeupDB }),
			of(field{key: "lookahead_ms", unit: "ms", kind: number, low: 0, high: 50, preset: 0.0,
				help: lookHelp, source: practice}, func(s *S) *float64 { return &s.LookaheadMs }),
			ofWord(field{key: "detector", preset: "peak", help: detectorHelp, source: giannoulis},
				detectorWords, detectorValues, func(s *S) *dsp.DetectorKind { return &s.Detector }),
			of(field{key: "detector_window_ms", unit: "ms", kind: number, low: 0.1, high: 500, preset: 10.0,
				help: windowHelp, source: practice}, func(s *S) *float64 { return &s.DetectorWindowMs }),
			of(field{key: "sidechain_highpass_hz", unit: "Hz", kind: number, low: 0, high: 2000, preset: 0.0, nyquist: true,
				help: sidechain, source: practice}, func(s *S) *float64 { return &s.SidechainHighPassHz }),
			of(field{key: "link_channels", kind: boolean, preset: true, help: linkHelp, source: practice},
				func(s *S) *bool { return &s.LinkChannels }),
		},
	})
}

func equaliser() *table {
	type S = dsp.EqualiserSettings
	type B = dsp.Band
	bands := settingsOf[B](&table{
		name:    "band",
		summary: "one band of an equaliser",
		fields: []field{
			ofWord(field{key: "shape", required: true, starter: "bell",
				help:   "bell (around the centre), low-shelf (below it), high-shelf (above it) or notch (nothing at the centre)",
				source: "W3C Audio EQ Cookbook"},
				[]string{"bell", "low-shelf", "high-shelf", "notch"}, []dsp.BandShape{dsp.Bell, dsp.LowShelf, dsp.HighShelf, dsp.Notch},
				func(b *B) *dsp.BandShape { return &b.Shape }),
			of(field{key: "centre_hz", unit: "Hz", kind: number, low: 10, high: 40000, required: true, starter: 3000.0, nyquist: true,
				help:   "centre of a bell or notch; a shelf reaches half its gain in dB here",
				source: "W3C Audio EQ Cookbook"}, func(b *B) *float64 { return &b.CentreHz }),
			of(field{key: "gain_db", unit: "dB", kind: number, low: -24, high: 24, preset: 0.0, starter: 2.0,
				help:   "gain at the centre of a bell, or on a shelf; a notch has none",
				source: "W3C Audio EQ Cookbook; within 6 dB for voice: " + practice}, func(b *B) *float64 { return &b.GainDB }),
			of(field{key: "q", kind: number, low: 0.1, high: 40, preset: 0.7071067811865476,
				help:   "how narrow the band is, or how steep the shelf; 0.707 is the steepest shelf without overshoot",
				source: "W3C Audio EQ Cookbook"}, func(b *B) *float64 { return &b.Q }),
		},
	})
	t := settingsOf[S](&table{
		name:    "equaliser",
		summary: "parametric equaliser: bands in series, each a [[stage.band]]; no latency",
		bands:   bands,
		fields: []field{
			ofWord(field{key: "design", preset: "matched",
				help:   "matched follows the analogue response up to 20 kHz (within 0.1 dB at 48 kHz up to 12 dB of gain; --plan tells how near); cookbook is the bilinear form, which narrows towards the Nyquist frequency",
				source: "Vicanek 2016 and least squares; W3C Audio EQ Cookbook"},
				[]string{"matched", "cookbook"}, []dsp.FilterDesign{dsp.Matched, dsp.Cookbook},
				func(s *S) *dsp.FilterDesign { return &s.Design }),
		},
	})
	t.addBand = func(settings, band any) {
		s := settings.(*S)
		s.Bands = append(s.Bands, *band.(*B))
	}
	return t
}

func deesser() *table {
	type S = dsp.DeEsserSettings
	return settingsOf[S](&table{
		name:    "de-esser",
		summary: "de-esser: lowers a bell around the s-sounds while they are strong; no latency",
		fields: []field{
			of(field{key: "centre_hz", unit: "Hz", kind: number, low: 1000, high: 16000, preset: 6500.0, nyquist: true,
				help: "centre of the bell that is lowered", source: practice}, func(s *S) *float64 { return &s.CentreHz }),
			of(field{key: "q", kind: number, low: 0.2, high: 10, preset: 1.0,
				help: "how narrow that bell is", source: practice}, func(s *S) *float64 { return &s.Q }),
			of(field{key: "key_low_hz", unit: "Hz", kind: number, low: 1000, high: 16000, preset: 4000.0, nyquist: true,
				help: "the band that it listens to begins here", source: "4 to 9 kHz: " + practice}, func(s *S) *float64 { return &s.KeyLowHz }),
			of(field{key: "key_high_hz", unit: "Hz", kind: number, low: 1000, high: 20000, preset: 9000.0, nyquist: true,
				help: "the band that it listens to ends here", source: "4 to 9 kHz: " + practice}, func(s *S) *float64 { return &s.KeyHighHz }),
			ofBool(field{key: "mode", preset: "relative",
				help:   "relative compares the band with the whole signal, so it works alike at any level; absolute compares it with threshold_dbfs",
				source: practice}, "absolute", "relative", func(s *S) *bool { return &s.Relative }),
			of(field{key: "threshold_dbfs", unit: "dBFS", kind: number, low: -120, high: 0, preset: -30.0,
				help: "in absolute mode: rms level of the band over which it lowers", source: practice}, func(s *S) *float64 { return &s.ThresholdDBFS }),
			of(field{key: "relative_db", unit: "dB", kind: number, low: -60, high: 20, preset: -9.0,
				help: "in relative mode: level of the band against the whole over which it lowers", source: practice}, func(s *S) *float64 { return &s.RelativeDB }),
			of(field{key: "ratio", unit: "dB in per dB out", kind: number, low: 1, high: 100, preset: 4.0,
				help: "slope over the threshold", source: giannoulis}, func(s *S) *float64 { return &s.Ratio }),
			of(field{key: "range_db", unit: "dB", kind: number, low: 0, high: 24, preset: 6.0,
				help: "the most that it lowers at the centre", source: "3 to 6: " + practice}, func(s *S) *float64 { return &s.RangeDB }),
			of(field{key: "attack_ms", unit: "ms", kind: number, low: 0, high: 100, preset: 1.0,
				help: "time constant of the gain falling: time to 63.2 % (1 - 1/e) of a change in dB", source: practice}, func(s *S) *float64 { return &s.AttackMs }),
			of(field{key: "release_ms", unit: "ms", kind: number, low: 0, high: 1000, preset: 50.0,
				help: "time constant of the gain rising: time to 63.2 % (1 - 1/e) of a change in dB", source: practice}, func(s *S) *float64 { return &s.ReleaseMs }),
			of(field{key: "link_channels", kind: boolean, preset: true, help: linkHelp, source: practice},
				func(s *S) *bool { return &s.LinkChannels }),
		},
	})
}

// ofBool makes a field of two words that stand for false and true.
func ofBool[S any](f field, no, yes string, at func(*S) *bool) field {
	f.kind, f.words = choice, []string{no, yes}
	f.set = func(settings, v any) { *at(settings.(*S)) = v.(string) == yes }
	return f
}

func limiter() *table {
	type S = dsp.LimiterSettings
	return settingsOf[S](&table{
		name:    "limiter",
		summary: "look-ahead true-peak limiter: keeps the wave between the samples under the ceiling",
		fields: []field{
			of(field{key: "ceiling_dbtp", unit: "dBTP", kind: number, low: -60, high: 0, preset: -1.0,
				help:   "the true peak that is not exceeded",
				source: "Rec. ITU-R BS.1770 Annex 2; -1 dBTP: EBU R 128"}, func(s *S) *float64 { return &s.CeilingDBTP }),
			of(field{key: "drive_db", unit: "dB", kind: number, low: -60, high: 60, preset: 0.0,
				help: "gain ahead of the limiter", source: practice}, func(s *S) *float64 { return &s.DriveDB }),
			of(field{key: "lookahead_ms", unit: "ms", kind: number, low: 0.5, high: 10, preset: 3.0,
				help:   "its whole latency; longer is smoother",
				source: "Hämäläinen, DAFx 2002; 1 to 5: " + practice}, func(s *S) *float64 { return &s.LookaheadMs }),
			ofWord(field{key: "release_style", preset: "balanced",
				help:   "clean moves the gain least, loud recovers soonest, balanced lies between",
				source: practice}, []string{"balanced", "clean", "loud"}, []dsp.ReleaseStyle{dsp.Balanced, dsp.Clean, dsp.Loud},
				func(s *S) *dsp.ReleaseStyle { return &s.Release }),
			of(field{key: "link_channels", kind: boolean, preset: true, help: linkHelp, source: practice},
				func(s *S) *bool { return &s.LinkChannels }),
		},
	})
}

const channelsHelp = "the channels it works on, counted from 1; not given: all"

func gain() *table {
	type S = dsp.GainSettings
	return settingsOf[S](&table{
		name:    "gain",
		summary: "fixed gain",
		fields: []field{
			of(field{key: "gain_db", unit: "dB", kind: number, low: -120, high: 60, required: true, starter: 0.0,
				help: "gain; 6.02 dB doubles the amplitude", source: "definition of the decibel"}, func(s *S) *float64 { return &s.GainDB }),
			of(field{key: "channels", kind: channelList, help: channelsHelp, source: practice}, func(s *S) *[]int { return &s.Channels }),
		},
	})
}

func polarity() *table {
	type S = dsp.PolaritySettings
	return settingsOf[S](&table{
		name:    "polarity",
		summary: "inverts the polarity",
		fields: []field{
			of(field{key: "channels", kind: channelList, help: channelsHelp, source: practice}, func(s *S) *[]int { return &s.Channels }),
		},
	})
}

func delay() *table {
	type S = dsp.DelaySettings
	return settingsOf[S](&table{
		name:    "delay",
		summary: "a delay that is wanted, such as to align microphones; it is not latency and is not trimmed",
		fields: []field{
			of(field{key: "delay_ms", unit: "ms", kind: number, low: 0, high: 10000, required: true, starter: 0.0,
				help: "delay, to the nearest frame", source: practice}, func(s *S) *float64 { return &s.DelayMs }),
			of(field{key: "channels", kind: channelList, help: channelsHelp, source: practice}, func(s *S) *[]int { return &s.Channels }),
		},
	})
}
