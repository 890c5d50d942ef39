package measure

import (
	"fmt"
	"math/bits"
	"strings"
)

// Speaker positions of WAVE_FORMAT_EXTENSIBLE's channel mask, in the order of
// its bits.
const (
	frontLeft = iota
	frontRight
	frontCentre
	lowFrequency
	backLeft
	backRight
	frontLeftOfCentre
	frontRightOfCentre
	backCentre
	sideLeft
	sideRight
)

// positions are the names of the speaker positions, in the order of the mask's bits: left,
// right and centre, in front, at the back (b), between (c), at the side (s) and above.
var positions = [...]string{"L", "R", "C", "LFE", "Lb", "Rb", "Lc", "Rc", "Cb", "Ls", "Rs", "top", "top L", "top C", "top R", "top Lb", "top Cb", "top Rb"}

// layoutText says by which layout more than two channels are weighted, and how: that of the
// file's mask, or the one that is assumed. "" for one and two channels.
func layoutText(channels int, mask uint32) string {
	if channels <= 2 {
		return ""
	}
	weights := channelWeights(channels, mask)
	var names []string
	for bit := 0; bit < 32 && len(names) < channels; bit++ {
		switch {
		case mask>>bit&1 == 0:
		case bit < len(positions):
			names = append(names, positions[bit])
		default:
			names = append(names, "reserved")
		}
	}
	known := len(names)
	for i := known; i < channels; i++ {
		names = append(names, "?")
	}
	of := func() string {
		all := make([]string, channels)
		for i, name := range names {
			all[i] = fmt.Sprintf("%s %g", name, weights[i])
		}
		return strings.Join(all, ", ")
	}
	switch {
	case mask == 0 && channels == 5:
		names = []string{"L", "R", "C", "Ls", "Rs"}
		return "no channel mask: taken as " + of()
	case mask == 0 && channels == 6:
		names = []string{"L", "R", "C", "LFE", "Ls", "Rs"}
		return "no channel mask: taken as " + of()
	case mask == 0:
		return fmt.Sprintf("no channel mask, and no layout is assumed for %d channels: each is weighted 1, as a front channel", channels)
	case known < channels:
		return fmt.Sprintf("the file's channel mask names %d of %d channels: %s; the others are weighted as front channels", known, channels, of())
	case bits.OnesCount32(mask) > channels:
		return fmt.Sprintf("the file's channel mask names %d positions for %d channels, of which the first are taken: %s", bits.OnesCount32(mask), channels, of())
	}
	return "channels weighted by the file's channel mask: " + of()
}

// LayoutDoubt says what is not known of the positions of more than two channels, which weight
// their loudness; "": all are, or there are no more than two.
func LayoutDoubt(channels int, mask uint32) string {
	if channels <= 2 || bits.OnesCount32(mask) == channels {
		return ""
	}
	return layoutText(channels, mask) + "; the loudness is right only if that is so: write the channels' positions into the file (WAVE_FORMAT_EXTENSIBLE)"
}

// channelWeights returns the weight of each channel (BS.1770-5 Annex 1 Table 3
// and Annex 3 Table 4): 1.41 for sound from 60° to 120° to the side, none for
// low-frequency effects, else 1.
//
// In the layout of five main channels (5.1) the surrounds are at ±110°
// whether the mask calls them back or side; with both, the back ones are at ±135°.
// Without a mask, 5 and 6 channels are taken as L R C (LFE) Ls Rs and any other number as
// front channels.
func channelWeights(channels int, mask uint32) []float64 {
	weights := make([]float64, channels)
	for c := range weights {
		weights[c] = 1
	}
	const surround = 1.41
	if mask == 0 {
		switch channels {
		case 5:
			weights[3], weights[4] = surround, surround
		case 6:
			weights[3], weights[4], weights[5] = 0, surround, surround
		}
		return weights
	}
	hasSides := mask&(1<<sideLeft|1<<sideRight) != 0
	c := 0
	for bit := 0; bit < 32 && c < channels; bit++ {
		if mask>>bit&1 == 0 {
			continue
		}
		switch bit {
		case lowFrequency:
			weights[c] = 0
		case sideLeft, sideRight:
			weights[c] = surround
		case backLeft, backRight:
			if !hasSides {
				weights[c] = surround
			}
		}
		c++
	}
	return weights
}
