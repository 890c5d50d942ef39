package instrument

import (
	"fmt"
)

// Void is a reason why a recording does not show the device's behaviour.
type Void string

const (
	NotFound     Void = "stimulus not found"
	WrongRate    Void = "wrong rate"
	Clipped      Void = "clipped"
	TooQuiet     Void = "too quiet"
	TwoArrivals  Void = "two arrivals"
	OtherVersion Void = "another version of the stimulus"
	Unreadable   Void = "code not readable"
	CutShort     Void = "cut short"
	Swapped      Void = "another channel"
	NonFinite    Void = "NaN or infinite samples"
	FramesLost   Void = "frames lost or repeated"
)

// VoidError is the error for a void recording.
type VoidError struct {
	Why     Void
	Channel int    // from 0, −1 for all
	Detail  string // what was found, and the remedy
}

func (e *VoidError) Error() string {
	if e.Channel < 0 {
		return fmt.Sprintf("void: %s: %s", e.Why, e.Detail)
	}
	return fmt.Sprintf("void: channel %d: %s: %s", e.Channel+1, e.Why, e.Detail)
}
