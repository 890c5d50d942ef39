package instrument

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// The effect of white noise on a sweep's response, for a sweep of ten seconds that is as loud
// as the marks. It was found by adding noise (a test repeats this). The largest error was 24
// dB; the constant has about half as much again. A longer sweep averages more.
const (
	noiseResponseDB = 35  // error of the response in dB, times the amplitude ratio of noise to marks
	statedNoiseDB   = 0.1 // least error of the response that is a finding
)

// Read runs every instrument for the stimulus on the recorded signal. The uncertainty of a
// sweep's response from the recording's noise is stated with it; a large one is a finding.
func (a *Alignment) Read(s stimulus.Signal) (measure.Readings, error) {
	all, err := AnalyseAll(s, a.Rate, a.Sound)
	a.compareGains(s, all)
	for i := range all { // relative to a stimulus that the marks have aligned
		if after, is := strings.CutPrefix(all[i].Name, "correlation_delay"); is {
			all[i].Name = "remaining_delay" + after
			all[i].Reference = "the stimulus, as the marks have aligned it with the recording"
		}
	}
	if err == nil {
		err = a.findBreaks(s)
	}
	if tone, is := s.(stimulus.Tone); is && err == nil {
		err = a.findMaskedNoise(tone)
	}
	a.withholdDrift()
	a.headroomAsRecorded(all)
	_, ok := s.(stimulus.Swept)
	if err != nil || !ok {
		return all, err
	}
	stated := map[string]bool{}
	for i := range all {
		r := &all[i]
		suffix := ""
		if at := strings.LastIndex(r.Name, "_ch"); at >= 0 {
			suffix = r.Name[at:]
		}
		over, _ := a.Readings.Get("mark_over_noise_db" + suffix)
		if !over.Measurable() || !r.Measurable() {
			continue
		}
		share := dsp.DBToAmplitude(-over.Value) * math.Sqrt(10*float64(a.Rate)/float64(a.Sound.Frames()))
		switch {
		case strings.HasPrefix(r.Name, "lower_corner_hz"), strings.HasPrefix(r.Name, "upper_corner_hz"):
			// One pole falls by 3.01 dB an octave at its corner, and more poles fall faster.
			r.AddBound(fmt.Sprintf("±%.2g Hz by the recording's noise, if that is white", r.Value*(math.Exp2(noiseResponseDB*share/3.01)-1)))
		case strings.HasPrefix(r.Name, "ripple_db"):
			r.AddBound(fmt.Sprintf("±%.2g dB by the recording's noise, if that is white", 2*noiseResponseDB*share))
		case strings.HasPrefix(r.Name, "response_") && r.Unit == "dB", strings.HasPrefix(r.Name, "gain_at_"):
			open := noiseResponseDB * share
			r.AddBound(fmt.Sprintf("±%.2g dB by the recording's noise, if that is white", open))
			if open > statedNoiseDB && !stated[suffix] {
				stated[suffix] = true
				a.Findings = append(a.Findings, measure.Finding{Severity: measure.Warning, What: fmt.Sprintf("the recording's noise leaves the response open by ±%.2g dB", open), Do: "raise the level, or make the sweep longer", Frame: -1, Channel: channelOf(suffix)})
			}
		}
	}
	return all, nil
}

// headroomAsRecorded computes converter_headroom_db from the samples as recorded, before
// resampling.
func (a *Alignment) headroomAsRecorded(all measure.Readings) {
	for i := range all {
		r := &all[i]
		if suffix, is := strings.CutPrefix(r.Name, "converter_headroom_db"); is && r.Measurable() {
			if peak := a.peaks[max(0, channelOf(suffix))]; peak > 0 {
				r.Value = -dsp.AmplitudeToDB(peak)
			}
		}
	}
}

// channelOf is the channel, from 0, in a suffix _chN; −1 without one.
func channelOf(suffix string) int {
	n, err := strconv.Atoi(strings.TrimPrefix(suffix, "_ch"))
	if err != nil {
		return -1
	}
	return n - 1
}
