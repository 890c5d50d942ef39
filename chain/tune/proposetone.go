package tune

import (
	"fmt"
	"maps"
	"math"
	"slices"
)

// averageSpeech is the long-term average speech spectrum in third octaves from 63 Hz to
// 16 kHz, in dB (Byrne et al., "An international comparison of long-term average speech
// spectra", JASA 96(4) 1994, 2108, combined men and women; from memory).
var averageSpeech = map[int]float64{
	63: 38.6, 80: 43.5, 100: 54.4, 125: 57.7, 160: 56.8, 200: 60.2, 250: 60.3, 315: 59.0, 400: 62.1, 500: 62.1, 630: 60.5, 800: 56.8, 1000: 53.7,
	1250: 53.0, 1600: 52.0, 2000: 48.7, 2500: 48.1, 3150: 46.8, 4000: 45.6, 5000: 44.5, 6300: 44.3, 8000: 43.7, 10000: 43.4, 12500: 41.3, 16000: 40.7,
}

// toneRule states by how many dB a voice may exceed the average in a range of third octaves
// before a band lowers it. Voices differ by 4.5 to 9 dB (standard deviation of 18 recorded
// ones), so most takes get no band. No band boosts: what the voice lacks is not added. (own
// choice)
var toneRule = []struct {
	low, high int
	limitDB   float64
	shape     string
	hz        float64
	why       string
}{
	{100, 160, 10, `"low-shelf"`, 160, "a voice close to the microphone"},
	{200, 315, 6, `"bell"`, 250, "a boxy room"},
	{3150, 5000, 8, `"bell"`, 4000, "a harsh microphone"},
}

const leastToneSeconds = 10

// A band is lowered by at least and at most this. (own choice)
const leastToneDB, mostToneDB = 1, 4

// toneName is the name of the stage with the tone bands.
const toneName = "tone"

// proposeTone lowers ranges of the mean spectrum of all takes that exceed the average spectrum
// of speech by far.
func (p *ProposedChain) proposeTone(all []*takeAnalysis) {
	excess, seconds := map[int]float64{}, 0.0
	for _, a := range all {
		seconds += float64(a.frames) / float64(a.format.Rate)
		levels := map[int]float64{}
		middle, bands := 0.0, 0.0
		for _, l := range a.octaves.Levels() {
			average, ok := averageSpeech[l.Hz]
			if !ok || l.DBFS < -150 {
				continue
			}
			levels[l.Hz] = l.DBFS - average
			if l.Hz >= 400 && l.Hz <= 2500 {
				middle, bands = middle+levels[l.Hz], bands+1
			}
		}
		if bands < 9 || !a.speaks() {
			return
		}
		for hz, v := range levels {
			excess[hz] += (v - middle/bands) / float64(len(all))
		}
	}
	if seconds < leastToneSeconds {
		return
	}
	began := false
	for _, r := range toneRule {
		most, at, mean, bands := math.Inf(-1), 0, 0.0, 0.0
		for _, hz := range slices.Sorted(maps.Keys(excess)) {
			v := excess[hz]
			if hz >= r.low && hz <= r.high {
				mean, bands = mean+v, bands+1
				if v > most {
					most, at = v, hz
				}
			}
		}
		mean /= max(1, bands)
		if bands == 0 || mean <= r.limitDB {
			continue
		}
		if !began {
			p.stage("equaliser", toneName, "")
			began = true
		}
		p.stage("", "", "")
		gain := -max(leastToneDB, min(mostToneDB, (mean-r.limitDB)/2))
		hz := r.hz
		if r.shape == `"bell"` {
			hz = float64(at)
		}
		p.put("shape", r.shape, "", fmt.Sprintf("%d to %d Hz is %.1f dB above the average spectrum of speech (up to %g dB is usual)", r.low, r.high, mean, r.limitDB), fmt.Sprintf("lowered by half of what exceeds that, by %d to %d dB; never a boost. The likely cause is %s", leastToneDB, mostToneDB, r.why), Low)
		p.choose("centre_hz", hz, "Hz", "", "", Low)
		p.choose("gain_db", math.Round(10*gain)/10, "dB", "", "", Low)
		if r.shape == `"bell"` {
			p.choose("q", 0.8, "", "", "", Low)
		}
	}
}
