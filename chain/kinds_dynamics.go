package chain

import (
	"fmt"
	"strings"

	"github.com/boothbench/boothbench/dsp"
)

// The kinds whose gain follows the level. The fields that several of them share are
// below.

func expanderKind() Kind {
	type S = dsp.ExpanderSettings
	return kindOf(dsp.NewExpander, Kind{
		Name:    "expander",
		Also:    []string{"gate", "noise gate", "downward expander", "noise reduction"},
		Summary: "Downward expander: lowers sound below a threshold, so that the room is quieter in the pauses.",
		Trap: "A threshold set by the loudest thing in the room reading (a cough, a creak) cuts the ends of words: set it " +
			"6 dB over the steady noise floor and well under the quietest speech (" + practice + ").",
		Fields: []Field{
			threshold(func(s *S) *float64 { return &s.ThresholdDBFS }, "level below which it works; it opens there, plus half the knee",
				"no default: it depends on the take"),
			number(func(s *S) *float64 { return &s.Ratio }, Field{
				Key: "ratio", Min: 1, Max: 100, Default: "2",
				Help:   "dB out per dB in below the threshold: with 2, a level 10 dB under the threshold comes out 20 dB under it",
				Source: "1.5 to 3: " + practice,
				Trap:   "some notations use the inverse (1:2, 0.5); here it is 1 or more",
			}),
			knee(func(s *S) *float64 { return &s.KneeDB }, "0", "own choice: 0, so that it opens at the threshold itself"),
			number(func(s *S) *float64 { return &s.RangeDB }, Field{
				Key: "range_db", Unit: "dB", Min: 0, Max: 100, Default: "12",
				Help:   "largest attenuation",
				Source: "6 to 15: " + practice,
				Trap:   "without a limit the room sound disappears in each pause and returns with each word",
			}),
			number(func(s *S) *float64 { return &s.HysteresisDB }, Field{
				Key: "hysteresis_db", Unit: "dB", Min: 0, Max: 40, Default: "3",
				Help:   "once open, it stays open down to this far below the opening level",
				Source: "own choice: the swing of noise in a 20 ms RMS reading",
				Trap:   "without it, noise around the threshold opens and closes it many times a second",
			}),
			attack(func(s *S) *float64 { return &s.AttackMs }, "1", "time constant of opening (gain rising)", "1 to 5: "+practice),
			hold(func(s *S) *float64 { return &s.HoldMs }, "60", "how long it stays open after the level has fallen", "50 to 150: "+practice),
			release(func(s *S) *float64 { return &s.ReleaseMs }, "120", "time constant of closing (gain falling)", "100 to 300: "+practice),
			lookahead(func(s *S) *float64 { return &s.LookaheadMs }, "5", "own choice: five attack times, so that it is open when a word starts"),
			detector(func(s *S) *dsp.DetectorKind { return &s.Detector }, `"rms"`,
				"own choice: steady on noise, whose peaks lie some 10 dB over its RMS"),
			detectorWindow(func(s *S) *float64 { return &s.DetectorWindowMs }, "20", "own choice: two periods of a 100 Hz voice"),
			sidechainHighPass(func(s *S) *float64 { return &s.SidechainHighPassHz }, "80", "keeps hum and rumble from opening it: "+practice),
			linkChannels(func(s *S) *bool { return &s.LinkChannels }),
		},
	})
}

func compressorKind() Kind {
	type S = dsp.CompressorSettings
	return kindOf(dsp.NewCompressor, Kind{
		Name:    "compressor",
		Also:    []string{"comp", "leveller", "leveler", "dynamics"},
		Summary: "Downward compressor: lowers sound above a threshold, which brings loud and soft words closer together.",
		Trap: "Make-up raises the level, and the louder version wins a comparison: match levels before you judge. Routine work on a voice " +
			"is 3 to 6 dB of reduction (" + practice + ").",
		Fields: []Field{
			threshold(func(s *S) *float64 { return &s.ThresholdDBFS }, "level above which it works; centre of the knee",
				"no default: it depends on the take"),
			number(func(s *S) *float64 { return &s.Ratio }, Field{
				Key: "ratio", Min: 1, Max: 100, Default: "3",
				Help:   "dB in per dB out above the threshold: with 3, a level 9 dB over the threshold comes out 3 dB over it",
				Source: "2 to 4: " + practice + "; static curve after Giannoulis, Massberg, Reiss, JAES 60(6) 2012",
			}),
			knee(func(s *S) *float64 { return &s.KneeDB }, "6", "6: "+practice+"; quadratic, JAES 60(6) 2012"),
			attack(func(s *S) *float64 { return &s.AttackMs }, "5", "time constant of the gain falling", "5 to 20: "+practice),
			hold(func(s *S) *float64 { return &s.HoldMs }, "0", "how long the gain stays down after the last level that held it down", "own choice: none in addition to the detector's window"),
			release(func(s *S) *float64 { return &s.ReleaseMs }, "100", "time constant of the gain rising", "80 to 250: "+practice),
			number(func(s *S) *float64 { return &s.MakeupDB }, Field{
				Key: "makeup_db", Unit: "dB", Min: -40, Max: 40, Default: "0",
				Help:   "fixed gain after the compression; never automatic",
				Source: ownBounds,
			}),
			lookahead(func(s *S) *float64 { return &s.LookaheadMs }, "0", "none: "+practice),
			detector(func(s *S) *dsp.DetectorKind { return &s.Detector }, `"peak"`,
				"own choice: a held peak keeps the gain still on a steady tone, so that it is not distorted"),
			detectorWindow(func(s *S) *float64 { return &s.DetectorWindowMs }, "10", "own choice: one period of a 100 Hz voice"),
			sidechainHighPass(func(s *S) *float64 { return &s.SidechainHighPassHz }, "0", "80 to 120 where plosives pump: "+practice),
			linkChannels(func(s *S) *bool { return &s.LinkChannels }),
		},
	})
}

func deEsserKind() Kind {
	type S = dsp.DeEsserSettings
	levels := orInstead(func(s *S) *bool { return &s.Relative },
		threshold(func(s *S) *float64 { return &s.ThresholdDBFS }, "level of the key band at which reduction starts", "no default: it depends on the take"),
		number(func(s *S) *float64 { return &s.RelativeDB }, Field{
			Key: "relative_db", Unit: "dB", Min: -60, Max: 0, Default: "-9",
			Help:   "level of the key band minus level of the whole signal at which reduction starts",
			Source: "own choice: an s has nearly all its energy in the key band, and a distance between two levels of the sound does not depend on the take's level",
			Trap:   "it keeps working as the distance to the microphone changes, while a fixed threshold_dbfs does not",
		}))
	k := kindOf(dsp.NewDeEsser, Kind{
		Name:    "de-esser",
		Also:    []string{"deesser", "desser", "de-ess", "sibilance"},
		Former:  map[string]string{"mode": "threshold_dbfs for a fixed level, or relative_db for one relative to the whole signal"},
		Summary: "Dynamic bell that is lowered while the sibilant band is loud.",
		Trap:    "Too much sounds like a lisp: 3 to 6 dB on s-sounds only (" + practice + ").",
		Fields: []Field{
			number(func(s *S) *float64 { return &s.CentreHz }, Field{
				Key: "centre_hz", Unit: "Hz", Min: lowestHz, Max: highestHz, Default: "6500",
				Help:   "centre of the bell that is lowered",
				Source: "4 to 9 kHz: " + practice,
			}),
			number(func(s *S) *float64 { return &s.Q }, Field{
				Key: "q", Min: 0.1, Max: 30, Default: "1",
				Help:   "narrowness of that bell: centre over bandwidth",
				Source: practice,
			}),
			number(func(s *S) *float64 { return &s.KeyLowHz }, Field{
				Key: "key_low_hz", Unit: "Hz", Min: lowestHz, Max: highestHz, Default: "4000",
				Help:   "lower edge of the key band, whose level is measured",
				Source: "4 kHz: " + practice,
			}),
			number(func(s *S) *float64 { return &s.KeyHighHz }, Field{
				Key: "key_high_hz", Unit: "Hz", Min: lowestHz, Max: highestHz, Default: "9000",
				Help:   "upper edge of the key band, whose level is measured",
				Source: "9 kHz: " + practice,
			}),
			levels[0], levels[1],
			number(func(s *S) *float64 { return &s.Ratio }, Field{
				Key: "ratio", Min: 1, Max: 100, Default: "4",
				Help:   "dB in per dB out of the key band above that level",
				Source: practice,
			}),
			number(func(s *S) *float64 { return &s.RangeDB }, Field{
				Key: "range_db", Unit: "dB", Min: 0, Max: 24, Default: "6",
				Help:   "largest reduction at the centre",
				Source: "3 to 6: " + practice,
			}),
			attack(func(s *S) *float64 { return &s.AttackMs }, "1", "time constant of the gain falling", practice),
			release(func(s *S) *float64 { return &s.ReleaseMs }, "50", "time constant of the gain rising", practice),
			linkChannels(func(s *S) *bool { return &s.LinkChannels }),
		},
	})
	k.rule = func(settings any) (key, found, accepted string) {
		if s := settings.(S); s.KeyLowHz >= s.KeyHighHz {
			return "key_high_hz", "found " + plain(s.KeyHighHz) + " Hz", "more than key_low_hz, which is " + plain(s.KeyLowHz) + " Hz"
		}
		return "", "", ""
	}
	return k
}

func limiterKind() Kind {
	type S = dsp.LimiterSettings
	build := func(s S, rate, channels int) (dsp.Processor, error) {
		if s.Verify {
			return dsp.NewVerifiedLimiter(s, rate, channels)
		}
		return dsp.NewLimiter(s, rate, channels)
	}
	return kindOf(build, Kind{
		Name:    "limiter",
		Also:    []string{"limit", "peak limiter", "true peak limiter", "brickwall", "brick-wall limiter"},
		Former:  map[string]string{"release_style": `recovery: "slow" for "clean", "medium" for "balanced", "fast" for "loud"`},
		Summary: "Look-ahead true-peak limiter: keeps sample peaks, the true-peak reading of Rec. ITU-R BS.1770 Annex 2 and the wave between the samples under a ceiling.",
		Trap: "It belongs at the end: there the verification holds what is written, dither and rounding included; whatever follows can raise the peaks again. Signal by signal: CEILING.md. " +
			"Without verification the wave between the samples may exceed the ceiling. Measured on speech: under 0.01 dB in recordings at 48 kHz, up to 24 dB of drive; where s-sounds reach up to half the rate, " +
			"as in any speech at 8 kHz, up to 0.4 dB with a look-ahead of less than 24 frames, 0.25 dB from 24 frames on (0.5 ms at 48 kHz, 3 ms at 8 kHz), 0.1 dB from 132 on (3 ms at 44.1 kHz). " +
			"Driven white noise exceeds it by 0.3 to 0.8 dB, patterns made for it by more. Up to 3 dB of reduction is routine on a " +
			"voice, more than 6 dB indicates a wrong level before it (" + practice + ").",
		Fields: []Field{
			number(func(s *S) *float64 { return &s.CeilingDBTP }, Field{
				Key: "ceiling_dbtp", Unit: "dBTP", Min: -60, Max: 0, Default: "-1",
				Help:   "highest sample peak and true-peak reading (BS.1770 Annex 2) of the output",
				Source: "−1 dBTP: EBU R 128; true peak: Rec. ITU-R BS.1770-5 Annex 2; −1.5 to −2 ahead of lossy coding at a low rate: " + practice,
				Trap:   "a ceiling in sample peaks (dBFS) lets the true peak between the samples rise up to 3 dB higher on a tone, more on speech",
			}),
			number(func(s *S) *float64 { return &s.DriveDB }, Field{
				Key: "drive_db", Unit: "dB", Min: -60, Max: 60, Default: "0",
				Help:   "gain before the limiter",
				Source: ownBounds,
			}),
			number(func(s *S) *float64 { return &s.LookaheadMs }, Field{
				Key: "lookahead_ms", Unit: "ms", Min: 0.5, Max: 10, Default: "3",
				Help:   "how long the gain takes to come down ahead of a peak; its latency is floor(lookahead_ms · rate / 1000) frames: 144 by default at 48 kHz",
				Source: "1 to 5: " + practice,
				Least:  fmt.Sprintf("and %d frames or more: %g ms at 8 kHz, %g ms at 16 kHz", dsp.ShortestLookahead, dsp.ShortestLookahead/8., dsp.ShortestLookahead/16.),
				Trap:   "without look-ahead no ceiling can be guaranteed, therefore 0 is refused",
			}),
			word(func(s *S) *dsp.Recovery { return &s.Recovery }, []dsp.Recovery{dsp.SlowRecovery, dsp.MediumRecovery, dsp.FastRecovery}, Field{
				Key: "recovery", Words: []string{"slow", "medium", "fast"}, Default: `"medium"`,
				Help:   "how soon the gain comes back after a peak: \"slow\" moves the gain least, \"fast\" gives the loudest result",
				Source: "own design: a single peak is released quickly, sustained limiting slowly",
				Trap:   "there is no release_ms: a single time constant makes either peaks pump or low tones distort",
			}),
			linkChannels(func(s *S) *bool { return &s.LinkChannels }),
			trueOrFalse(func(s *S) *bool { return &s.Verify }, Field{
				Key: "verify", Default: "true",
				Help: fmt.Sprintf("read the result, as it will be written, sample by sample, by BS.1770 Annex 2 and by a windowed sinc of 64 phases and 256 taps, and lower it where "+
					"one is over: then neither of the two reads more than the ceiling, whatever the input. It looks %d frames ahead, at every rate, on top of the look-ahead", dsp.VerificationFrames),
				Source: "own design; the proof is at ceilingGuard in package dsp",
				Trap:   "the ceiling is guaranteed for the readings of that sinc. An exact reconstruction of long patterns at the Nyquist frequency, which no microphone delivers, reads more (by 7 dB in 1,024 frames, 14 dB in 65,536). With false the limiter works as a device of 3 ms would: samples and the Annex 2 reading stay under the ceiling for every input, but the wave between the samples may exceed it slightly",
			}),
		},
	})
}

func threshold[S any](at func(*S) *float64, help, source string) Field {
	return number(at, Field{
		Key: "threshold_dbfs", Unit: "dBFS", Min: -120, Max: 0, Help: help, Source: source,
		Trap: "it is on the scale of the stage's detector: a sine reads 3.01 dB less on RMS than on peak, speech some 10 dB less",
	})
}

func knee[S any](at func(*S) *float64, preset, source string) Field {
	return number(at, Field{
		Key: "knee_db", Unit: "dB", Min: 0, Max: 40, Default: preset, Source: source,
		Help: "width of the soft knee, centred on the threshold; 0: a corner",
	})
}

func attack[S any](at func(*S) *float64, preset, help, source string) Field {
	return number(at, Field{
		Key: "attack_ms", Unit: "ms", Min: 0, Max: 1000, Default: preset, Help: help, Source: source,
		Trap: "a time constant: 63.2 % of the change in dB; a time to 90 % is 2.3 times as long. 0 is allowed: at once",
	})
}

func hold[S any](at func(*S) *float64, preset, help, source string) Field {
	return number(at, Field{Key: "hold_ms", Unit: "ms", Min: 0, Max: 5000, Default: preset, Help: help, Source: source})
}

func release[S any](at func(*S) *float64, preset, help, source string) Field {
	return number(at, Field{
		Key: "release_ms", Unit: "ms", Min: 0, Max: 10_000, Default: preset, Help: help, Source: source,
		Trap: "a time constant: 63.2 % of the change in dB; it starts when hold and detector window have passed",
	})
}

func lookahead[S any](at func(*S) *float64, preset, source string) Field {
	return number(at, Field{
		Key: "lookahead_ms", Unit: "ms", Min: 0, Max: 100, Default: preset, Source: source,
		Help: "delay of the sound against the gain",
		Trap: "it is latency, which process removes unless --keep-delay is given",
	})
}

func detector[S any](at func(*S) *dsp.DetectorKind, preset, source string) Field {
	other := "rms"
	if strings.Contains(preset, other) {
		other = "peak"
	}
	return word(at, []dsp.DetectorKind{dsp.Peak, dsp.RMS}, Field{
		Key: "detector", Words: []string{"peak", "rms"}, Default: preset, Source: source,
		Help: "how level is measured: largest peak of the window, or root mean square over it",
		Trap: "changing it to \"" + other + "\" changes what threshold_dbfs means: move the threshold too",
	})
}

func detectorWindow[S any](at func(*S) *float64, preset, source string) Field {
	return number(at, Field{
		Key: "detector_window_ms", Unit: "ms", Min: 0.1, Max: 1000, Default: preset, Source: source,
		Help: "length of the detector's window",
		Trap: "shorter than a period of the voice, it makes the gain follow the waveform itself, which is distortion",
	})
}

func sidechainHighPass[S any](at func(*S) *float64, preset, source string) Field {
	return number(at, Field{
		Key: "sidechain_highpass_hz", Unit: "Hz", Min: lowestHz, Max: highestHz, Zero: "none", Default: preset, Source: source,
		Help: "corner of a 12 dB/oct high-pass in the detector's path only",
	})
}

func linkChannels[S any](at func(*S) *bool) Field {
	return trueOrFalse(at, Field{
		Key: "link_channels", Default: "true",
		Help:   "one gain for all channels, from the level of the loudest",
		Source: "linked, so that the stereo image does not shift: " + practice,
	})
}
