package dsp

import (
	"fmt"
	"math"
)

// What the stages' constructors check of their settings, as a *SettingError.

// checkFormat refuses rates and channel counts that no stage can work at.
func checkFormat(rate, channels int) error {
	if rate < MinRate || rate > MaxRate {
		return &SettingError{"rate", fmt.Sprintf("%d Hz", rate), fmt.Sprintf("%d to %d Hz", MinRate, MaxRate)}
	}
	if channels < 1 || channels > MaxChannels {
		return &SettingError{"channels", fmt.Sprint(channels), fmt.Sprintf("1 to %d", MaxChannels)}
	}
	return nil
}

// checkRange refuses a setting that is not finite or lies outside lo to hi.
func checkRange(setting string, value, lo, hi float64, unit string) error {
	if value >= lo && value <= hi {
		return nil
	}
	if unit != "" {
		unit = " " + unit
	}
	return &SettingError{setting, fmt.Sprintf("%g%s", value, unit), fmt.Sprintf("%g to %g%s", lo, hi, unit)}
}

func first(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// checkRatio takes 1 or more. Infinity is a ratio: the limit of large ones.
func checkRatio(ratio float64, unit string) error {
	if ratio >= 1 {
		return nil
	}
	accepted := "1 or more (" + unit + ")"
	if ratio > 0 {
		accepted += fmt.Sprintf("; the inverse is %.3g", 1/ratio)
	}
	return &SettingError{"ratio", fmt.Sprintf("%g", ratio), accepted}
}

func checkTimes(attackMs, holdMs, releaseMs float64) error {
	return first(
		checkRange("attack_ms", attackMs, 0, 10_000, "ms"),
		checkRange("hold_ms", holdMs, 0, 10_000, "ms"),
		checkRange("release_ms", releaseMs, 0, 10_000, "ms"),
	)
}

func checkDetector(kind DetectorKind, windowMs, lookaheadMs, highPassHz float64, rate int) error {
	if kind != Peak && kind != RMS {
		return &SettingError{"detector", fmt.Sprintf("kind %d", kind), "peak or rms"}
	}
	err := first(
		checkRange("detector_window_ms", windowMs, 0.01, 1000, "ms"),
		checkRange("lookahead_ms", lookaheadMs, 0, 100, "ms"),
	)
	if err == nil && highPassHz != 0 {
		err = checkFrequency("sidechain_highpass_hz", highPassHz, rate)
	}
	return err
}

// checkFrequency refuses a frequency that a filter at this rate cannot have.
func checkFrequency(setting string, hz float64, rate int) error {
	nyquist := float64(rate) / 2
	if hz > 0 && hz < nyquist && !math.IsInf(hz, 0) {
		return nil
	}
	return &SettingError{setting, fmt.Sprintf("%g Hz", hz), fmt.Sprintf("above 0 and below %g Hz, the Nyquist frequency of sound at %d Hz", nyquist, rate)}
}
