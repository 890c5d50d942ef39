package tune

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
)

// Momentary loudness of recorded speech mostly spans 4.5 LU or more from its 40th to its 95th
// percentile. Behind a compressor of ratio 3 with at least 4 dB of median reduction it spans
// 2.0 to 3.6 LU. The smaller this range of a take is, the less the take is compressed again.
// (own choice, by 8 recorded voices)
const usualRangeLU, evenRangeLU, leastCompressedDB = 4.5, 2, 1

// proposeCompressor sets the threshold for a median reduction of active sound of 3 dB, or less
// for a take with a small range, on excerpts of the takes behind the expander. Where the 95th
// percentile would exceed 9 dB at a ratio of 3, it lowers the ratio until it is 9 dB, down to
// 2. It returns the peaks of the excerpts behind both stages, and the compressor's gains on
// them, nil where it is off.
func (p *ProposedChain) proposeCompressor(all []*takeAnalysis, before [][]int16) (levels, gains [][]int16) {
	const usualDB, mostP95DB, knee = compressedDB, 9, 6
	const usualCompression, leastCompression = 3.0, 2 // ratios
	off, rangeLU := "", math.Inf(-1)
	for _, a := range all {
		if lu, ok := a.momentaryRange(); ok {
			rangeLU = max(rangeLU, lu)
		}
	}
	_, fixed := p.keep["compressor.threshold_dbfs"]
	wantDB := usualDB * max(0, min(1, (rangeLU-evenRangeLU)/(usualRangeLU-evenRangeLU)))
	switch {
	case fixed:
	case math.IsInf(rangeLU, -1):
		off = fmt.Sprintf("no sound is above the noise for long enough, %d s, to have a range of loudness.", leastRangeSeconds)
	case wantDB < leastCompressedDB:
		off = fmt.Sprintf("momentary loudness of the active sound spans %.1f LU from its 40th to its 95th percentile: it was compressed or limited before, or it is even by itself. Recorded speech spans %g LU and more, mostly; under %.1f LU there is nothing to even out.",
			rangeLU, usualRangeLU, evenRangeLU+float64(leastCompressedDB)/usualDB*(usualRangeLU-evenRangeLU))
	}
	levels, gains = make([][]int16, len(all)), make([][]int16, len(all))
	active := make([][]bool, len(all))
	for k, a := range all {
		peaks := a.tracks.peaks
		levels[k] = sum(peaks.peaks(), peaks.excerpt(before[k]))
		active[k] = a.active.at(peaks.excerpt(a.tracks.level))
	}
	settings := func(threshold, ratio float64) dsp.CompressorSettings {
		return dsp.CompressorSettings{ThresholdDBFS: threshold, Ratio: ratio, KneeDB: knee, AttackMs: 5, ReleaseMs: 100, Detector: dsp.Peak, DetectorWindowMs: 10, LinkChannels: true}
	}
	solve := func(ratio float64) (threshold float64) {
		return solveThreshold(levels, active, settings(0, ratio), wantDB)
	}
	ratio, T := usualCompression, -20.0
	var reduction compression
	if wantDB = max(wantDB, leastCompressedDB); off == "" || !math.IsInf(rangeLU, -1) {
		T = solve(ratio)
		if most := compressed(levels, settings(T, ratio)).activeReduction(active, 0.95); most > mostP95DB {
			T = solve(leastCompression)
			if little := compressed(levels, settings(T, leastCompression)).activeReduction(active, 0.95); little < mostP95DB {
				ratio = math.Round(10*(leastCompression+(ratio-leastCompression)*(mostP95DB-little)/(most-little))) / 10
				T = solve(ratio)
			} else {
				ratio = leastCompression
			}
		}
		if kept, ok := p.keep["compressor.threshold_dbfs"]; ok {
			fmt.Sscan(kept, &T)
		}
		T = max(-100, min(0, T))
		reduction = compressed(levels, settings(T, ratio))
		if off == "" {
			p.predictedCompression = [2]float64{reduction.percentile(0.5), reduction.percentile(0.95)}
		}
	}
	median, p95 := reduction.activeReduction(active, 0.5), reduction.activeReduction(active, 0.95)
	p.stage("compressor", "", off)
	c := Medium
	if off != "" {
		c = None
	}
	p.choose("threshold_dbfs", T, "dBFS", fmt.Sprintf("momentary loudness of the active sound spans %.1f LU; predicted reduction of active sound %.1f dB (median), %.1f dB (95th percentile)", max(0, rangeLU), median, p95),
		compressorRule(wantDB), c)
	p.choose("ratio", ratio, "", "", fmt.Sprintf("%g; where the 95th percentile of the reduction would be over %d dB, as much less as that needs, down to %d", usualCompression, mostP95DB, leastCompression), c)
	p.choose("knee_db", knee, "dB", "", "", c)
	p.choose("attack_ms", 5, "ms", "", "", c)
	p.choose("release_ms", 100, "ms", "", "", c)
	p.choose("makeup_db", 0, "dB", "", "the level is set in one place: the drive of the limiter", c)
	for k := range levels {
		if off == "" {
			gains[k] = make([]int16, len(reduction[k]))
			for ms, gain := range reduction[k] {
				gains[k][ms] = gainLevel(gain)
			}
			levels[k] = sum(levels[k], gains[k])
		}
	}
	return levels, gains
}

// solveThreshold finds the threshold in dBFS, to 0.1 dB, at which the median reduction of the
// active milliseconds of tracks is wantDB.
func solveThreshold(levels [][]int16, active [][]bool, s dsp.CompressorSettings, wantDB float64) float64 {
	const nearDB = 0.02
	// Above the knee the reduction grows with the level by this slope. The secants that follow
	// include the effect of attack and release.
	slope := 1 - 1/s.Ratio
	low, high, last, before := -70.0, 0.0, math.NaN(), math.NaN()
	next := typicalLevel(levels, active) - wantDB/slope
	for step := range 20 { // mostly three or four are enough
		if !(next > low && next < high) || step%8 == 7 {
			next = (low + high) / 2
		}
		s.ThresholdDBFS = next
		over := compressed(levels, s).activeReduction(active, 0.5) - wantDB
		if math.Abs(over) <= nearDB {
			break
		}
		if over > 0 {
			low = next
		} else {
			high = next
		}
		if steeper := (before - over) / (next - last); steeper > 0.1 {
			slope = steeper
		}
		last, before, next = next, over, next+over/slope
	}
	return math.Round(10*s.ThresholdDBFS) / 10
}

// compressorRule returns the rule for the threshold in words.
func compressorRule(wantDB float64) string {
	if wantDB < compressedDB {
		return fmt.Sprintf("%.1f dB of median reduction instead of %d: the take spans less than %g LU, so it was compressed or limited before, or it is even by itself", wantDB, compressedDB, usualRangeLU)
	}
	return fmt.Sprintf("%d dB of median reduction, in sound less than %g dB under the level of the speech (own choice within 3 to 6: common practice, no source)", compressedDB, activeMarginDB)
}

// compression holds the linear gains of a compressor on peak tracks, one for each millisecond
// of each track. Those of an hour take 14 MiB, and two sets exist at a time.
type compression [][]float32

// compressed runs a compressor over tracks at 1 kHz.
func compressed(levels [][]int16, s dsp.CompressorSettings) compression {
	all := make(compression, len(levels))
	for k, level := range levels {
		c, err := dsp.NewCompressor(s, 1000, 1)
		if err != nil {
			panic(err) // the settings are set here, and kept values have been checked
		}
		all[k] = tracedGains(c, level, c.Latency(), func(gain float64) float32 { return float32(gain) })
	}
	return all
}

// activeReduction returns a percentile of the reduction in dB over the active milliseconds of
// all tracks; 0: there are none.
func (c compression) activeReduction(active [][]bool, share float64) float64 {
	var all []float32
	for k, gains := range c {
		for ms, g := range gains {
			if ms < len(active[k]) && active[k][ms] {
				all = append(all, g)
			}
		}
	}
	if len(all) == 0 {
		return 0
	}
	return -dsp.AmplitudeToDB(float64(nthSmallest(all, min(len(all)-1, int((1-share)*float64(len(all)))))))
}

// typicalLevel returns the median of the active milliseconds of tracks, in dB; 0: there are
// none.
func typicalLevel(levels [][]int16, active [][]bool) float64 {
	var all []int16
	for k, level := range levels {
		for ms, v := range level {
			if ms < len(active[k]) && active[k][ms] {
				all = append(all, v)
			}
		}
	}
	return quantile(inOrder(all), 0.5)
}

// percentile returns a percentile of the reduction in dB over the time in which the compressor
// reduces; 0: it never does.
func (c compression) percentile(share float64) float64 {
	var working []float32
	least := float32(dsp.DBToAmplitude(-chain.WorkingDB))
	for _, gains := range c {
		for _, g := range gains {
			if g <= least {
				working = append(working, g)
			}
		}
	}
	if len(working) == 0 {
		return 0
	}
	nth := nthSmallest(working, max(0, len(working)-1-int(share*float64(len(working)))))
	return math.Round(-100*dsp.AmplitudeToDB(float64(nth))) / 100
}

// nthSmallest returns the value at index n of the sorted values. It reorders the values.
func nthSmallest(values []float32, n int) float32 {
	low, high := 0, len(values)-1
	for low < high {
		pivot := values[low+(high-low)/2]
		i, k := low, high
		for i <= k {
			for values[i] < pivot {
				i++
			}
			for values[k] > pivot {
				k--
			}
			if i <= k {
				values[i], values[k] = values[k], values[i]
				i, k = i+1, k-1
			}
		}
		switch {
		case n <= k:
			high = k
		case n >= i:
			low = i
		default:
			return values[n]
		}
	}
	return values[n]
}
