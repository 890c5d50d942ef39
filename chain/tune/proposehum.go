package tune

import (
	"context"
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/take"
)

// humName is the name of the stage with the notches.
const humName = "hum"

// proposeNotches sets notches for mains hum that exceeds the noise in the pauses, and returns
// them.
func (p *ProposedChain) proposeNotches(all []*takeAnalysis, corner float64) (notches dsp.EqualiserSettings) {
	const mostQ, leastWidthHz, mostNotches, underFloorDB, overDB = 30, 4, 3, 20, 6
	var lines []take.HumLine
	for _, a := range all {
		for _, l := range a.inspection.Hum {
			if a.undecided == "" && l.Hz >= corner && l.OverDB >= overDB && l.DBFS > a.floorDBFS-underFloorDB && len(lines) < mostNotches && l.Hz < 0.45*float64(a.format.Rate) {
				lines = append(lines, l)
			}
		}
		if len(lines) > 0 {
			break // all takes have the same mains frequency
		}
	}
	if len(lines) == 0 {
		return notches
	}
	p.stage("equaliser", humName, "")
	for _, l := range lines {
		p.stage("", "", "")
		q := min(mostQ, math.Floor(l.Hz/leastWidthHz))
		p.put("shape", `"notch"`, "", fmt.Sprintf("hum at %.1f Hz, %.1f dBFS in the pauses, %.0f dB over its neighbourhood", l.Hz, l.DBFS, l.OverDB),
			fmt.Sprintf("a notch for hum %d dB and more over its neighbourhood and at most %d dB under the noise floor; %d notches at most", overDB, underFloorDB, mostNotches), High)
		hz := p.choose("centre_hz", l.Hz, "Hz", "", "", High)
		q = p.choose("q", q, "", fmt.Sprintf("a harmonic of a voice 5 %% away loses %.2f dB", notchLoss(q, 1.05)), fmt.Sprintf("%d at most, so that the voice keeps its harmonics; no narrower than %d Hz, since the mains wander", mostQ, leastWidthHz), High)
		notches.Bands = append(notches.Bands, dsp.Band{Shape: dsp.Notch, CentreHz: hz, Q: q})
	}
	return notches
}

// notchLoss returns the attenuation of a notch in dB at a ratio to its centre.
func notchLoss(q, ratio float64) float64 {
	x := q * (ratio - 1/ratio)
	return 10 * math.Log10(1+1/(x*x))
}

// leastHumShare is the least share of the noise power above 150 Hz that hum must have for the
// take to be read once more: 0.3 dB of the noise.
const leastHumShare = 0.067

// readBehind reads the expander's detector once more, behind the notches, where hum is a part
// of the noise from which the expander is set. Otherwise the threshold would be set for noise
// with hum, which the expander does not receive.
func (a *takeAnalysis) readBehind(ctx context.Context, notches dsp.EqualiserSettings, watch func(wave.Source) wave.Source) error {
	hum := 0.0
	for _, l := range a.inspection.Hum {
		for _, b := range notches.Bands {
			if math.Abs(l.Hz-b.CentreHz) < 1 {
				r := math.Pow(l.Hz/sideChainHz, 4)
				hum += dsp.DBToPower(l.DBFS) * r / (1 + r)
			}
		}
	}
	if a.undecided != "" || hum < leastHumShare*dsp.DBToPower(a.noise.pauseDBFS) {
		return nil
	}
	eq, err := dsp.NewEqualiser(notches, a.format.Rate, a.format.Channels)
	if err != nil {
		return nil // the user fixed a notch that the reader of chain files will refuse
	}
	src, err := a.open()
	if err != nil {
		return err
	}
	src = watch(src)
	defer src.(*countedSource).Close()
	behind := newTakeTracks(a.format, a.frames)
	behind.peaks = nil
	work := make(dsp.Block, a.format.Channels)
	if err := measure.EachBlock(ctx, src, func(b dsp.Block) {
		for c := range b {
			work[c] = append(work[c][:0], b[c]...)
		}
		eq.Process(work)
		behind.write(work)
	}); err != nil {
		return err
	}
	before, lower := a.noise.levels, a.lower
	a.tracks.level = behind.level
	a.noise.levels = a.noiseLevels(a.isPause)
	if top, ok := noiseTop(a.noise.levels); ok {
		a.noise.top = top
		a.notchedDB = dsp.PowerToDB(meanPower(a.noise.levels) / meanPower(before))
		a.noise.pauseDBFS += a.notchedDB
	}
	if a.readLower(); a.lower != nil && lower != nil {
		a.lower.pauseDBFS += dsp.PowerToDB(meanPower(a.lower.levels) / meanPower(lower.levels))
	}
	return nil
}

// meanPower returns the mean power of levels in hundredths of a dB.
func meanPower(levels []int16) (mean float64) {
	for _, v := range levels {
		mean += powerOf(v) / float64(len(levels))
	}
	return max(1e-20, mean)
}
