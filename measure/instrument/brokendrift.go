package instrument

import (
	"slices"
	"strings"

	"github.com/boothbench/boothbench/measure"
)

// A break may lose or repeat a few frames. That shifts the marks against each other by as much
// as a difference of clocks does.

const (
	// recordUnbroken begins the advice of findings on breaks.
	recordUnbroken = "record again, with larger buffers or on another recorder"
	// clockIsOff begins the sentence of a finding on the clock.
	clockIsOff = "the recorder's clock is "
	// BrokenDrift is the reason for a clock that cannot be read beside a break.
	BrokenDrift = "undecided: the recording is broken, and frames that are lost or repeated there shift the marks as a difference of clocks does"
)

// IsOfBreak reports whether a finding is a break at which frames may be lost or repeated.
func IsOfBreak(f measure.Finding) bool { return strings.HasPrefix(f.Do, recordUnbroken) }

// IsOfClock reports whether a finding is that the recorder's clock is off the player's.
func IsOfClock(f measure.Finding) bool { return strings.HasPrefix(f.What, clockIsOff) }

// withholdDrift removes the clock of the channels that are broken.
func (a *Alignment) withholdDrift() {
	broken := func(channel int) bool {
		return slices.ContainsFunc(a.Findings, func(f measure.Finding) bool {
			return IsOfBreak(f) && (f.Channel < 0 || channel < 0 || f.Channel == channel)
		})
	}
	for i := range a.Readings {
		if suffix, is := strings.CutPrefix(a.Readings[i].Name, "drift_ppm"); is && broken(channelOf(suffix)) {
			WithoutDrift(&a.Readings[i])
		}
	}
	a.Findings = slices.DeleteFunc(a.Findings, func(f measure.Finding) bool { return IsOfClock(f) && broken(f.Channel) })
}

// WithoutDrift gives a reading of the clock a reason in place of its value.
func WithoutDrift(r *measure.Named) {
	r.Value, r.Bound, r.Reason = 0, "", BrokenDrift
}
