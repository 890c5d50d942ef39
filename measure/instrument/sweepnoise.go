package instrument

import (
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/stat/distuv"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// sweepNoise is the noise in an impulse response from a sweep: its power density over
// frequency, measured at lags at which the device itself has no response.
//
// The sweep passes a frequency f at the time t(f). The noise of the recording at that frequency
// begins at the lag −t(f) and lasts for the length of the recording. One part of it follows the
// device's ringing, and another precedes the harmonics.
type sweepNoise struct {
	ir          impulseResponse
	at          func(hz float64) float64 // t(f), in frames
	frames      int                      // of the recording
	first, last int                      // lags between which the device responds, its harmonics included
	middle      int                      // lag of the largest sample
	from        int                      // lag of the first weight
	weights     []float64                // of the lags from which the response is computed
	pieces      map[int]*noisePiece      // by lag
	piece       int                      // frames
	density     map[int]noiseDensity     // key: forty-eighths of an octave above 1 kHz
}

// noisePiece is the power density of a piece of the impulse response.
type noisePiece struct{ squares []float64 }

// noiseDensity is a power density with its degrees of freedom.
type noiseDensity struct{ square, freedom float64 }

const (
	// Noise is measured in pieces of this length, or a quarter of it where four do not fit.
	noisePieceSeconds = 1
	// A density is the mean over a sixth of an octave or, if that is more, over a few lines
	// around the frequency: a line of hum then counts in full.
	noiseSpanOctaves = 1.0 / 12
	noiseLines       = 2
	// Where the noise exceeds this share of the response, its delay is not stated: the error is
	// no longer proportional to the noise.
	mostNoiseShare = 0.25
	// leastDelayMs is the further error of a group delay (a test with noiseless devices against
	// closed forms finds less).
	leastDelayMs = 0.005
)

// newSweepNoise prepares the noise of an impulse response, for a recording of a number of
// frames.
func (s SweepResponse) newSweepNoise(ir impulseResponse, frames, before, after int) *sweepNoise {
	fs := float64(ir.rate)
	growth := s.Sweep.HarmonicAdvance(2) / math.Ln2 * fs
	low, _ := s.Sweep.Band()
	n := &sweepNoise{ir: ir, frames: frames, middle: ir.largest(), pieces: map[int]*noisePiece{}, density: map[int]noiseDensity{},
		at: func(hz float64) float64 { return growth * math.Log(hz/low) }}
	n.first, n.last = n.middle-int(s.Sweep.HarmonicAdvance(farOrder)*fs), n.middle+after
	ones := impulseResponse{make([]float64, len(ir.h)), ir.rate}
	for i := range ones.h {
		ones.h[i] = 1
	}
	n.weights, n.from = ones.part(n.middle, before, after)
	n.piece = int(noisePieceSeconds * fs)
	if free := frames - (n.last - n.first); free < 4*n.piece {
		n.piece /= 4
	}
	return n
}

// quiet are the lags of the pieces that hold only noise at a frequency. Where the sweep is too
// short for any, they are the pieces at the ends, ringing included.
func (n *sweepNoise) quiet(hz float64) (lags []int) {
	begin := -int(n.at(hz))
	end := begin + n.frames
	first, last := min(n.first, n.middle), max(n.last, n.middle)
	if begin+2*n.piece > first && last+2*n.piece > end {
		first, last = begin+2*n.piece, end-2*n.piece
	}
	grid := func(lag int) int { return int(math.Ceil(float64(lag)/float64(n.piece))) * n.piece }
	for lag := grid(begin); lag+n.piece <= first; lag += n.piece {
		lags = append(lags, lag)
	}
	for lag := grid(last); lag+n.piece <= end; lag += n.piece {
		lags = append(lags, lag)
	}
	return lags
}

// pieceAt is the power density of the piece that begins at a lag.
func (n *sweepNoise) pieceAt(lag int) *noisePiece {
	if p := n.pieces[lag]; p != nil {
		return p
	}
	x := make([]float64, spectra.FastLength(n.piece))
	power := 0.0
	for i := range n.piece {
		w := 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n.piece))
		x[i] = w * n.ir.at(lag+i)
		power += w * w
	}
	p := &noisePiece{}
	for _, v := range spectra.NewFFT(len(x)).Coefficients(nil, x) {
		p.squares = append(p.squares, real(v*cmplx.Conj(v))/power)
	}
	n.pieces[lag] = p
	return p
}

// densityNear is the power density of the noise at a frequency.
func (n *sweepNoise) densityNear(hz float64) noiseDensity {
	key := int(math.Round(48 * math.Log2(hz/1000)))
	if d, is := n.density[key]; is {
		return d
	}
	var d noiseDensity
	lags := n.quiet(hz)
	step := float64(n.ir.rate) / float64(spectra.FastLength(n.piece))
	mean := func(from, to float64) (mean, lines float64) {
		for _, lag := range lags {
			squares := n.pieceAt(lag).squares
			for k := max(1, int(math.Ceil(from/step))); k <= min(int(to/step), len(squares)-1); k++ {
				mean, lines = mean+squares[k], lines+1
			}
		}
		return mean / max(1, lines), lines
	}
	wide, lines := mean(hz*math.Exp2(-noiseSpanOctaves), hz*math.Exp2(noiseSpanOctaves))
	near, few := mean(hz-noiseLines*step, hz+noiseLines*step)
	// Lines of a Hann window overlap: 1.5 lines have the two degrees of freedom of one.
	d = noiseDensity{max(wide, near), 2 * max(float64(len(lags)), max(lines, few)/1.5)}
	n.density[key] = d
	return d
}

// openDelay is the uncertainty of the group delay at a frequency, in ms with 95 % probability,
// and the noise there relative to the response. The delay is the real part of Σ n·h·e^(−jωn)
// over Σ h·e^(−jωn), so noise of a density N changes it by √(N·Σ w²·(n−τ)²/2) over |H|.
func (n *sweepNoise) openDelay(hz, delayMs, gain float64) (ms, share float64, known bool) {
	d := n.densityNear(hz)
	if d.freedom == 0 {
		return 0, 0, false
	}
	perMs := float64(n.ir.rate) / 1000
	begin := -int(n.at(hz))
	squares, moments := 0.0, 0.0
	for i := max(0, begin-n.from); i < min(len(n.weights), begin+n.frames-n.from); i++ {
		w, off := n.weights[i], float64(n.from+i)-delayMs*perMs
		squares, moments = squares+w*w, moments+w*w*off*off
	}
	t := distuv.StudentsT{Sigma: 1, Nu: d.freedom}.Quantile(0.975)
	noise := t * math.Sqrt(d.square/2) / gain
	return noise * math.Sqrt(moments) / perMs, noise * math.Sqrt(squares), true
}

// cutDelays are group delays in ms at any frequency, of one response cut to two or more
// lengths; the first is the one in use. They differ where the device or the edges of the band
// ring beyond a cut.
type cutDelays []func(hz float64) float64

// cutShares are the lengths of the cuts, relative to the one in use.
var cutShares = []float64{1, 0.9, 0.8, 0.7, 0.6, 0.5}

// open is the largest difference of the shorter ones from the first.
func (c cutDelays) open(hz float64) (ms float64) {
	if len(c) == 0 {
		return 0
	}
	used := c[0](hz)
	for _, shorter := range c[1:] {
		ms = max(ms, math.Abs(shorter(hz)-used))
	}
	return ms
}

// delayAt is the group delay in ms, at a frequency, of a response; x is a stretch of the
// response that begins at frame from.
func delayAt(x []float64, from, rate int, hz float64) float64 {
	moments := make([]float64, len(x))
	for n, v := range x {
		moments[n] = float64(n) * v
	}
	turns := hz / float64(rate)
	return (float64(from) + real(transformAt(moments, from, turns)/transformAt(x, from, turns))) * 1000 / float64(rate)
}

// addOpenDelay adds to a group delay its uncertainty from the noise in its response.
func (f *FrequencyResponse) addOpenDelay(r *measure.Reading, hz float64) {
	if f.noise == nil || !r.Measurable() {
		return
	}
	ms, share, known := f.noise.openDelay(hz, f.DelayMs(hz), dsp.DBToAmplitude(f.DB(hz)))
	switch {
	case !known:
		r.Value, r.Reason = 0, "the sweep is too short to read the noise beside its response; make it longer"
	case share > mostNoiseShare:
		r.Value, r.Reason = 0, fmt.Sprintf("the noise in the response leaves it open by ±%.2g ms or more; raise the level, or make the sweep longer", ms)
	default:
		r.AddBound(fmt.Sprintf("±%.2g ms, 95 %% of what the noise in the response and its cut do at this frequency", ms+f.cuts.open(hz)+leastDelayMs))
	}
}
