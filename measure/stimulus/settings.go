package stimulus

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// Checks of settings that all stimuli share.

// frames is a time in frames, rounded to the nearest.
func frames(seconds float64, rate int) int { return int(math.Round(seconds * float64(rate))) }

func firstError(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// checkRange refuses a setting that is NaN or lies outside lo to hi.
func checkRange(setting string, value, lo, hi float64, unit string) error {
	if value >= lo && value <= hi {
		return nil
	}
	return &dsp.SettingError{Setting: setting, Found: fmt.Sprintf("%g %s", value, unit), Accepted: fmt.Sprintf("%g to %g %s", lo, hi, unit)}
}

func checkFormat(rate, channels int) error {
	if channels < 0 || channels > dsp.MaxChannels {
		return &dsp.SettingError{Setting: "channels", Found: fmt.Sprint(channels), Accepted: fmt.Sprintf("1 to %d", dsp.MaxChannels)}
	}
	return checkRange("rate", float64(rate), dsp.MinRate, dsp.MaxRate, "Hz")
}

// checkHz requires a frequency between 0 and the Nyquist frequency.
func checkHz(setting string, hz float64, rate int) error { return checkHzBy(setting, hz, 1, rate) }

// checkHzBy requires a frequency of which so many times lie below the Nyquist frequency.
func checkHzBy(setting string, hz, times float64, rate int) error {
	if hz > 0 && times*hz < float64(rate)/2 {
		return nil
	}
	if times != 1 {
		return &dsp.SettingError{Setting: setting, Found: fmt.Sprintf("%g Hz", hz), Accepted: fmt.Sprintf("more than 0 and less than %.4g Hz: %g times that is half the rate", float64(rate)/2/times, times)}
	}
	return &dsp.SettingError{Setting: setting, Found: fmt.Sprintf("%g Hz", hz), Accepted: fmt.Sprintf("more than 0 and less than %g Hz, half the rate", float64(rate)/2)}
}

func checkPeak(setting string, dbfs float64) error {
	return checkRange(setting, dbfs, -200, 0, "dBFS")
}

// checkSeconds requires a signal that is longer than its fades and fits in memory.
func checkSeconds(setting string, s float64) error {
	return checkRange(setting, s, 3*FadeMs/1000.0, 3600, "s")
}

// PeakDBFS is the largest |sample| of a sound in dBFS, −Inf for silence.
func PeakDBFS(b dsp.Block) float64 {
	largest := 0.0
	for _, plane := range b {
		for _, x := range plane {
			largest = max(largest, math.Abs(x))
		}
	}
	return dsp.AmplitudeToDB(largest)
}
