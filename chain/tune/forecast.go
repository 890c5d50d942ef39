package tune

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// forecast predicts the loudness of one or several takes, as one programme, behind a limiter
// with a drive, or behind a gain where there is no limiter.
type forecast struct {
	takes   []*Analysis
	limiter *dsp.LimiterSettings // nil: none
	// offsetLU is the error of the forecast found so far: measured less forecast.
	offsetLU float64

	// The last results, and the gains for which they were computed.
	known     []measure.LoudnessProfile
	knownAt   float64
	each      []histogram
	all       histogram
	reducedAt float64
}

// profiles returns the loudness profiles at a gain in dB: the limiter's drive, or a plain gain.
// They are valid until the next call.
//
// Each 100 ms of the profile ahead of the limiter are scaled by the gain and by the share of
// their energy that the limiter leaves. The forecast is exact, including the gates of the
// loudness, where nothing is limited.
func (f *forecast) profiles(gainDB float64) []measure.LoudnessProfile {
	if f.known != nil && f.knownAt == gainDB {
		return f.known
	}
	if f.known == nil {
		f.known = make([]measure.LoudnessProfile, len(f.takes))
		for i, a := range f.takes {
			f.known[i] = measure.LoudnessProfile{RateHz: a.Profile.RateHz, Energies: make([]float64, len(a.Profile.Energies))}
		}
	}
	f.knownAt = gainDB
	scale := dsp.DBToAmplitude(gainDB) * dsp.DBToAmplitude(gainDB)
	for i, a := range f.takes {
		p := &f.known[i]
		lost := a.lostShares(f.limiter, gainDB)
		for h, e := range a.Profile.Energies {
			p.Energies[h] = e * scale
			if lost != nil {
				p.Energies[h] *= max(0, 1-lost[h])
			}
		}
	}
	return f.known
}

// loudness returns the gated loudness at a gain, in LUFS; false: no block passes the gates.
func (f *forecast) loudness(gainDB float64) (float64, bool) {
	lufs, ok := measure.PooledLoudness(f.profiles(gainDB)...)
	return lufs + f.offsetLU, ok
}

// lostShares returns the share of the energy of each 100 ms that the limiter removes.
func (a *Analysis) lostShares(s *dsp.LimiterSettings, driveDB float64) []float64 {
	if s == nil {
		return nil
	}
	whole := a.hopEnergies()
	if a.lost == nil {
		a.lost = make([]float64, len(a.Profile.Energies))
	}
	lost := a.lost
	clear(lost)
	for i := range a.paths {
		p := &a.paths[i]
		hops := a.hops()
		a.follow(p, *s, driveDB, func(cell int, meanSquare, _ float64) {
			if meanSquare == 1 || cell >= len(p.Energies) {
				return
			}
			if h := hops.of(cell); h < len(lost) {
				lost[h] += levelValue(p.Energies[cell]) * (1 - meanSquare)
			}
		})
	}
	for h := range lost {
		if lost[h] > 0 {
			lost[h] /= whole[h]
		}
	}
	return lost
}

// hopEnergies returns the energy of each 100 ms, summed over the cells.
func (a *Analysis) hopEnergies() []float64 {
	if a.whole == nil {
		a.whole = make([]float64, len(a.Profile.Energies))
		for i := range a.paths {
			hops := a.hops()
			for cell, code := range a.paths[i].Energies {
				if h := hops.of(cell); h < len(a.whole) {
					a.whole[h] += levelValue(code)
				}
			}
		}
	}
	return a.whole
}

// hopFinder finds the 100 ms that contain the middle of a cell. Cells must be given in
// ascending order.
type hopFinder struct {
	profile *measure.LoudnessProfile
	frames  int64 // in a cell
	hop     int
	end     int64
}

func (a *Analysis) hops() *hopFinder {
	return &hopFinder{&a.Profile, int64(dsp.ForecastCellFrames(a.RateHz)), 0, a.Profile.HopEnd(0)}
}

func (f *hopFinder) of(cell int) int {
	for middle := int64(cell)*f.frames + f.frames/2; middle >= f.end; {
		f.hop++
		f.end = f.profile.HopEnd(f.hop)
	}
	return f.hop
}

// follow forecasts the limiter's gain on the cells of a path, in order. It may skip cells that
// are not limited.
func (a *Analysis) follow(p *pathData, s dsp.LimiterSettings, driveDB float64, each func(cell int, meanSquare, lowest float64)) {
	s.DriveDB = driveDB
	f, err := dsp.NewLimiterForecast(s, a.RateHz)
	if err != nil {
		panic(err) // Analyse has built this limiter, and drives stay in its range
	}
	total := len(p.Peaks) + f.Delay()
	for c := 0; c < total; {
		if c%topCells == 0 && f.AtRest() && c+topCells <= len(p.Peaks) && f.OverDB(levelDB(p.Tops[c/topCells])) <= 0 {
			f.Skip(topCells)
			c += topCells
			continue
		}
		level := float64(silentDB)
		if c < len(p.Peaks) {
			level = levelDB(p.Peaks[c])
		}
		meanSquare, lowest := f.Next(level)
		if at := c - f.Delay(); at >= 0 {
			each(at, meanSquare, lowest)
		}
		c++
	}
}

// Cost describes the gain reduction of a limiter over a programme, in the blocks that count for
// the loudness.
type Cost struct {
	// Percentiles of the gain reduction over time.
	MedianDB float64 `json:"median_db"`
	P95DB    float64 `json:"p95_db"`
	MostDB   float64 `json:"most_db"`
	// OverThreeDB is the share of time with more than 3 dB of reduction, 0 to 1.
	OverThreeDB float64 `json:"share_of_time_over_3_db"`
	// Relative levels. Of a programme of several takes, each take has its own Cost.
	PeakToLoudnessAheadLU float64 `json:"peak_to_loudness_ahead_lu"`
	PeakToLoudnessAfterLU float64 `json:"peak_to_loudness_after_lu"`
}

// The steps of the histogram from which percentiles are read.
const (
	reductionStep  = 0.01 // dB
	reductionSteps = 12001
)

// histogram counts cells by their reduction.
type histogram struct {
	counts []int
	total  int // number of cells, including those without reduction
	most   float64
}

// reductions returns histograms of the reduction at a drive over the counted time, for each
// take and for all of them together.
func (f *forecast) reductions(driveDB float64) (each []histogram, all histogram) {
	if f.each != nil && f.reducedAt == driveDB {
		return f.each, f.all
	}
	defer func() { f.each, f.all, f.reducedAt = each, all, driveDB }()
	all.counts = make([]int, reductionSteps)
	each = make([]histogram, len(f.takes))
	if f.limiter == nil {
		return each, all
	}
	counted := measure.CountedHops(f.profiles(driveDB)...)
	for i, a := range f.takes {
		h := &each[i]
		h.counts = make([]int, reductionSteps)
		for path := range a.paths {
			p := &a.paths[path]
			hops := a.hops()
			for cell := range p.Peaks {
				if hop := hops.of(cell); hop < len(counted[i]) && counted[i][hop] {
					h.total++
				}
			}
			hops = a.hops()
			a.follow(p, *f.limiter, driveDB, func(cell int, _, lowest float64) {
				if lowest == 1 {
					return
				}
				if hop := hops.of(cell); hop < len(counted[i]) && counted[i][hop] {
					db := -dsp.AmplitudeToDB(max(lowest, 1e-6))
					h.most = max(h.most, db)
					h.counts[min(reductionSteps-1, int(db/reductionStep+0.5))]++
				}
			})
		}
		for k, n := range h.counts {
			all.counts[k] += n
		}
		all.total += h.total
		all.most = max(all.most, h.most)
	}
	return each, all
}

// percentile returns the reduction in dB that is not exceeded for a share of the time, from 0
// to 1.
func (h histogram) percentile(share float64) float64 {
	above := int(math.Round((1 - share) * float64(h.total))) // number of cells above it
	for k := len(h.counts) - 1; k > 0; k-- {
		if above -= h.counts[k]; above < 0 {
			return float64(k) * reductionStep
		}
	}
	return 0
}

// over returns the share of the time with more reduction than db.
func (h histogram) over(db float64) float64 {
	n := 0
	for k := int(db/reductionStep) + 1; k < len(h.counts); k++ {
		n += h.counts[k]
	}
	return float64(n) / float64(max(1, h.total))
}

func (h histogram) cost() Cost {
	return Cost{MedianDB: h.percentile(0.5), P95DB: h.percentile(0.95), MostDB: h.most, OverThreeDB: h.over(3)}
}
