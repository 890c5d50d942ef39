package compare

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// gainByLevel follows the gain of B over A by the level of A, in third octaves: what a
// compressor, a limiter, an expander or a gate does. Within a band a filter has one gain at
// every level, so that what changes with level is no filter.
type gainByLevel struct {
	rate, length, hop int
	from, frames      int64 // what is compared, of A
	x, y              dsp.Block
	began             int64 // frame of A at which the running block began
	skip              int
	event             int // frames of the running block up to the end of a dropout or click in it
	fft               *spectra.FFT
	window            []float64
	bins              [2][]complex128
	bands             []spectra.ThirdOctave
	parts             [levelTimes][]levelClass // by time
	sums              []levelCell              // of the running block
}

// levelClass holds the blocks of one class of A's level.
type levelClass struct {
	blocks int
	cells  []levelCell // by band
}

// levelCell holds mean squares of A and B, and their product, of a band.
type levelCell struct {
	xx, yy float64
	xy     complex128
}

func (c *levelCell) add(d levelCell) { c.xx, c.yy, c.xy = c.xx+d.xx, c.yy+d.yy, c.xy+d.xy }

const (
	levelBlocks   = 4000 // of 43 ms at 48 kHz: of three minutes each, of longer sounds evenly spread ones
	levelLowestHz = 120  // below, a block holds too few periods of a band
	classDB       = 3.0
	lowestClassDB = -111.0
	levelClasses  = 40
	// levelTimes is into how many parts of time the blocks fall, to see how far the result
	// scatters: the delete-one jackknife (Efron and Stein, Annals of Statistics 9(3) 1981).
	levelTimes        = 16
	leastClassBlocks  = 8
	leastClassBands   = 5
	leastLevelCoheres = 0.5 // of a band in a class: less of it follows A
	// leastLevelDB is the smallest change of gain with level that is stated, and
	// leastLevelErrors by how many standard errors.
	leastLevelDB     = 0.5
	leastLevelErrors = 5
	// lostDB is by how much B must lie lower for its level alone to show it, where it no
	// longer follows A.
	lostDB = 10
	// mostNoiseShare is how much of the noise of a quiet class may be in a loud one without
	// following B: 1 where A has a steady noise that B lacks.
	mostNoiseShare = 0.25
)

func newGainByLevel(rate, channels int, from, frames int64) *gainByLevel {
	length := 256
	for length < rate/32 {
		length *= 2
	}
	g := &gainByLevel{
		rate: rate, length: length, hop: max(length, int(frames/levelBlocks)), from: from, frames: frames, began: from,
		x: make(dsp.Block, channels), y: make(dsp.Block, channels), fft: spectra.NewFFT(length), window: spectra.Hann(length),
	}
	for _, t := range spectra.ThirdOctaves(rate, length) {
		if t.Hz >= levelLowestHz {
			g.bands = append(g.bands, t)
		}
	}
	for i := range g.bins {
		g.bins[i] = make([]complex128, length/2+1)
	}
	for p := range g.parts {
		g.parts[p] = make([]levelClass, levelClasses)
	}
	g.sums = make([]levelCell, len(g.bands))
	return g
}

// restart goes on at another frame of A.
func (g *gainByLevel) restart(frame int64) {
	for c := range g.x {
		g.x[c], g.y[c] = g.x[c][:0], g.y[c][:0]
	}
	g.skip, g.event, g.began = 0, 0, frame
}

// write takes the next frames of A, and of B on its level; with an event they hold a dropout
// or a click.
func (g *gainByLevel) write(x, y dsp.Block, event bool) {
	for n := 0; n < x.Frames(); {
		if g.skip > 0 {
			passed := min(g.skip, x.Frames()-n)
			g.skip -= passed
			g.began += int64(passed)
			n += passed
			continue
		}
		take := min(x.Frames()-n, g.length-g.x.Frames())
		for c := range x {
			g.x[c] = append(g.x[c], x[c][n:n+take]...)
			g.y[c] = append(g.y[c], y[c][n:n+take]...)
		}
		n += take
		if event {
			g.event = g.x.Frames()
		}
		if g.x.Frames() == g.length {
			if g.event == 0 {
				g.add()
			}
			g.restart(g.began + int64(g.length))
			g.skip = g.hop - g.length
		}
	}
}

// add sorts the running block in by its level.
func (g *gainByLevel) add() {
	clear(g.sums)
	power := 0.0
	scale := 2 / (float64(g.length) * vector.SumOfSquares(g.window) * float64(len(g.x)))
	for c := range g.x {
		x := g.fft.Windowed(g.bins[0], g.window, g.x[c])
		y := g.fft.Windowed(g.bins[1], g.window, g.y[c])
		for _, v := range x[2:] { // as far as a Hann window spreads an offset
			power += scale * square(v)
		}
		for i, t := range g.bands {
			t.Each(func(k int, share float64) {
				share *= scale
				g.sums[i].add(levelCell{share * square(x[k]), share * square(y[k]), complex(share, 0) * y[k] * cmplx.Conj(x[k])})
			})
		}
	}
	at := int(math.Floor((dsp.PowerToDB(power) - lowestClassDB) / classDB))
	if power <= 0 || at < 0 {
		return
	}
	part := int((g.began - g.from) * levelTimes / max(1, g.frames))
	class := &g.parts[max(0, min(levelTimes-1, part))][min(levelClasses-1, at)]
	if class.cells == nil {
		class.cells = make([]levelCell, len(g.bands))
	}
	class.blocks++
	for i, s := range g.sums {
		class.cells[i].add(s)
	}
}

// levelCurve is the gain of B over A by the class of A's level, in dB, against its own
// overall level: what of B follows A against A (H1), right where B has noise of its own, and
// B against what of A follows B (H2), right where A has (Bendat and Piersol, "Random Data",
// 6.1). NaN: not enough blocks or bands.
type levelCurve struct {
	h1, h2  []float64
	lost    []bool // B no longer follows A there, and its level lies lostDB lower at least
	classes []levelClass
	// The gain of each band at all levels alike, by both estimates, and the median of bands.
	band, upperBand []float64
	middle          float64
}

// curve is that of all parts of time but one; −1: of all.
func (g *gainByLevel) curve(without int) levelCurve {
	classes := make([]levelClass, levelClasses)
	for p, part := range g.parts {
		if p == without {
			continue
		}
		for l, class := range part {
			if class.blocks == 0 {
				continue
			}
			if classes[l].cells == nil {
				classes[l].cells = make([]levelCell, len(g.bands))
			}
			classes[l].blocks += class.blocks
			for k, cell := range class.cells {
				classes[l].cells[k].add(cell)
			}
		}
	}
	least := leastClassBlocks
	if without >= 0 {
		least /= 2
	}
	h1, h2 := make([][]float64, levelClasses), make([][]float64, levelClasses)
	for l, class := range classes {
		h1[l], h2[l] = nans(len(g.bands)), nans(len(g.bands))
		if class.blocks < least {
			continue
		}
		for k, c := range class.cells {
			if c.xx > 0 && c.yy > 0 && square(c.xy) >= leastLevelCoheres*c.xx*c.yy {
				size := cmplx.Abs(c.xy)
				h1[l][k], h2[l][k] = dsp.AmplitudeToDB(size/c.xx), dsp.AmplitudeToDB(c.yy/size)
			}
		}
		if count(h1[l]) < leastClassBands {
			h1[l], h2[l] = nans(len(g.bands)), nans(len(g.bands))
		}
	}
	var curve levelCurve
	curve.h1, curve.band = polished(h1)
	curve.h2, curve.upperBand = polished(h2)
	curve.middle = median(slices.Clone(curve.band))
	curve.lost, curve.classes = make([]bool, levelClasses), classes
	for l, class := range classes {
		if curve.h1[l] == curve.h1[l] || class.blocks < least {
			continue
		}
		// Where B no longer follows A its level is all there is.
		levels := nans(len(g.bands))
		for k, c := range class.cells {
			if c.xx > 0 && curve.band[k] == curve.band[k] {
				levels[k] = dsp.PowerToDB(c.yy/c.xx) - curve.band[k]
			}
		}
		if count(levels) < leastClassBands {
			continue
		}
		if level := median(levels); level < -lostDB {
			curve.h1[l], curve.h2[l], curve.lost[l] = math.Max(level, -200), math.Max(level, -200), true
		}
	}
	return curve
}

// polished are the effects of the rows and of the columns of a table in which values may be
// missing: the median polish of Tukey ("Exploratory Data Analysis", 1977, chapter 11).
func polished(table [][]float64) (rows, columns []float64) {
	rows, columns = make([]float64, len(table)), make([]float64, len(table[0]))
	buffer := make([]float64, 0, len(table)+len(columns))
	for range 8 {
		for k := range columns {
			buffer = buffer[:0]
			for l := range table {
				if v := table[l][k] - rows[l]; v == v {
					buffer = append(buffer, v)
				}
			}
			columns[k] = median(buffer)
		}
		for l := range table {
			buffer = buffer[:0]
			for k, v := range table[l] {
				if v -= columns[k]; v == v {
					buffer = append(buffer, v)
				}
			}
			if len(buffer) > 0 {
				rows[l] = median(buffer)
			}
		}
	}
	for l := range table {
		if count(table[l]) == 0 {
			rows[l] = math.NaN()
		}
	}
	return rows, columns
}

func nans(n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = math.NaN()
	}
	return x
}

func count(x []float64) (n int) {
	for _, v := range x {
		if v == v {
			n++
		}
	}
	return n
}

// median is that of what is no NaN; NaN for nothing. It sorts x.
func median(x []float64) float64 {
	slices.Sort(x) // NaN first
	x = x[len(x)-count(x):]
	if len(x) == 0 {
		return math.NaN()
	}
	return (x[(len(x)-1)/2] + x[len(x)/2]) / 2
}

// levelGains is what a gain by level comes to.
type levelGains struct {
	curve           levelCurve
	lowest, highest int // classes that have a gain; −1: none
	fall, rise      levelMove
}

// levelMove is by how much the gain lies lower in one class than in another; 0: not sure.
type levelMove struct {
	db       float64
	from, to int // the class with the larger gain, and that with the lower one
}

// find is what the gain by level comes to: the largest fall towards loud, and the largest
// towards quiet, that is certain.
func (g *gainByLevel) find() levelGains {
	all := g.curve(-1)
	r := levelGains{curve: all, lowest: -1, highest: -1}
	var others []levelCurve
	for p, part := range g.parts {
		if slices.ContainsFunc(part, func(c levelClass) bool { return c.blocks > 0 }) {
			others = append(others, g.curve(p))
		}
	}
	var classes []int
	for l, v := range all.h1 {
		if v != v {
			continue
		}
		classes = append(classes, l)
		if !all.lost[l] {
			if r.lowest < 0 {
				r.lowest = l
			}
			r.highest = l
		}
	}
	for _, from := range classes {
		for _, to := range classes {
			if from == to || all.lost[from] || all.lost[to] && (to > from || all.lacksNoise(from, to)) {
				continue
			}
			move := &r.fall
			if to < from {
				move = &r.rise
			}
			drop := all.drop(from, to)
			if drop >= leastLevelDB && drop > move.db && drop >= leastLevelErrors*jackknifed(others, from, to) {
				*move = levelMove{drop, from, to}
			}
		}
	}
	return r
}

// drop is how far the gain lies lower in one class than in another, by the estimate that
// shows less of it: noise in A or in B leaves one of them as it is.
func (c levelCurve) drop(from, to int) float64 {
	return math.Min(c.h1[from]-c.h1[to], c.h2[from]-c.h2[to])
}

// lacksNoise reports whether B is gone in a quiet class because it lacks a noise that A has:
// then as much of A follows nothing in the other class too. A gate lets the noise pass there.
func (c levelCurve) lacksNoise(from, quiet int) bool {
	loud, soft := c.classes[from], c.classes[quiet]
	var ratios []float64
	for k, a := range loud.cells {
		if b := soft.cells[k]; b.xx > 0 && a.yy > 0 {
			ratios = append(ratios, (a.xx-square(a.xy)/a.yy)/float64(loud.blocks)/(b.xx/float64(soft.blocks)))
		}
	}
	return !(median(ratios) < mostNoiseShare)
}

// jackknifed is the standard error of a drop from curves that lack one part of time each; +∞
// where one part has all of a class.
func jackknifed(curves []levelCurve, from, to int) float64 {
	sum, squares := 0.0, 0.0
	for _, c := range curves {
		d := c.drop(from, to)
		if d != d {
			return math.Inf(1)
		}
		sum, squares = sum+d, squares+d*d
	}
	n := float64(len(curves))
	return math.Sqrt(max(0, (n-1)*(squares/n-sum*sum/n/n)))
}

// classMiddleDB is the level in the middle of a class, in dBFS.
func classMiddleDB(class int) float64 { return lowestClassDB + classDB*(float64(class)+0.5) }

// expandedUnder is the level in dBFS under which the gain lies lower by half the rise and more.
func (r levelGains) expandedUnder() float64 {
	under := r.rise.to
	for l := r.rise.to; l < r.rise.from; l++ {
		if r.curve.drop(r.rise.from, l) >= r.rise.db/2 {
			under = l
		} else if r.curve.h1[l] == r.curve.h1[l] {
			break
		}
	}
	return classMiddleDB(under) + classDB/2
}

// withoutLevel are the bands with the response that they have at each level alike: a gain that
// depends on the level is otherwise that of the levels which a band has most of.
func (g *gainByLevel) withoutLevel(bands []band, curve levelCurve) (all []band) {
	for _, b := range bands {
		for k, t := range g.bands {
			if t.Hz == b.hz && curve.band[k] == curve.band[k] {
				b.responseDB, b.upperDB = curve.band[k], curve.upperBand[k]
				all = append(all, b)
			}
		}
	}
	return all
}

// spreadDB is how far the gain moves with level.
func (r levelGains) spreadDB() float64 { return max(r.fall.db, r.rise.db) }

// dynamics is how the gain depends on A's level, where the sounds lie on each other and
// neither clipping, which lowers the gain of what is loud, nor a level that changes over time
// explains it.
func (c *Comparison) dynamics() levelGains {
	r := c.levels.find()
	if c.unaligned != nil || len(c.levelChanges(c.points())) > 0 || c.isCut() || c.clipping.flatTops() || c.clippingA.flatTops() {
		r.fall, r.rise = levelMove{}, levelMove{}
	}
	return r
}

// dynamicsDifferences are a compression and an expansion.
func (c *Comparison) dynamicsDifferences() (all []Difference) {
	r := c.byLevel
	if r.fall.db > 0 {
		d := c.difference(Compression, r.fall.db, "dB")
		d.QuietDBFS, d.LoudDBFS = classMiddleDB(r.fall.from), classMiddleDB(r.fall.to)
		all = append(all, d)
	}
	if r.rise.db > 0 {
		d := c.difference(Expansion, r.rise.db, "dB")
		d.QuietDBFS, d.LoudDBFS = r.expandedUnder(), classMiddleDB(r.rise.from)
		all = append(all, d)
	}
	return all
}

// addLevelGains adds the gain at the lowest and at the highest levels.
func (c *Comparison) addLevelGains(r *measure.Readings, reason string) {
	for i, which := range []string{"low", "high"} {
		about := measure.Reading{Reason: reason, Unit: "dB", Reference: "A", Bandwidth: "third octaves, IEC 61260-1, from 125 Hz up"}
		name := "gain_" + which + "_levels_db"
		at := c.byLevel
		if reason == "" && c.unaligned != nil {
			about.Reason = "B is compared without alignment"
		} else if reason == "" && (c.levels == nil || at.lowest == at.highest) {
			about.Reason = fmt.Sprintf("too short, or of one level: fewer than two levels, %g dB apart, of %d blocks in which B follows A", classDB, leastClassBlocks)
		}
		if about.Reason == "" {
			l := []int{at.lowest, at.highest}[i]
			base := dsp.AmplitudeToDB(math.Abs(c.gain)) + at.curve.middle
			about.Value = base + (at.curve.h1[l]+at.curve.h2[l])/2
			about.Definition = fmt.Sprintf("median of the third octaves, in blocks of %.0f ms in which A has %.0f to %.0f dBFS", float64(c.levels.length)*1000/float64(c.Rate), classMiddleDB(l)-classDB/2, classMiddleDB(l)+classDB/2)
			about.Bound = fmt.Sprintf("%.2f to %.2f dB, as noise is in A or in B", base+math.Min(at.curve.h1[l], at.curve.h2[l]), base+math.Max(at.curve.h1[l], at.curve.h2[l]))
		}
		r.Add(name, about)
	}
}
