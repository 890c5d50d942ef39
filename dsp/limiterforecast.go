package dsp

// LimiterForecast predicts the gain of a Limiter from the largest true peak of
// each cell of its input alone: with the same hold, release, look-ahead and
// window, at a thousandth of the cost. It is used to find a drive before
// anything is rendered. It does not model where in a cell the peak lies (the
// middle is assumed), the long interpolator, or the guard.
//
// Cells are those of the release's grid, two thirds of a ms each: see
// ForecastCellFrames.
type LimiterForecast struct {
	envelope reductionEnvelope
	window   reductionWindow
	offsetDB float64 // from the level of an input peak to its level over the limit
	runs     []reductionRun
	points   []float64 // gains not yet returned, forecastPoints for each cell
	delay    int       // cells
	still    int       // cells since the last gain other than 1
}

// forecastPoints is how many gains are computed for a cell: 4, about 6 kHz. The
// gain of a limiter has little energy above 1 kHz (see reductionWindow).
const forecastPoints = 4

// ForecastCellFrames is the length in frames of the cells of a forecast.
func ForecastCellFrames(rate int) int { return max(1, rate/1500) }

// NewLimiterForecast builds a forecast of NewLimiter with the same settings and
// a rate in Hz, for the channels that share one gain; errors are *SettingError.
func NewLimiterForecast(s LimiterSettings, rate int) (*LimiterForecast, error) {
	s.Verify = false // the reduction by a verification is not predicted
	l, err := NewLimiter(s, rate, 1)
	if err != nil {
		return nil, err
	}
	limit := s.CeilingDBTP - limiterMarginDB
	f := &LimiterForecast{envelope: newReductionEnvelope(DBToAmplitude(limit), s.Recovery, rate), offsetDB: s.DriveDB - limit}
	f.envelope.byCells = true
	frames := f.envelope.grid
	f.envelope.grid = forecastPoints // its paces and its hold are in cells: they stay
	reach := l.latency - l.finder.half - l.paths[0].guard.latency() + 1
	width := max(1, (reach*forecastPoints+frames/2)/frames)
	f.window = newReductionWindow(width)
	f.delay = (width - 1 + forecastPoints - 1) / forecastPoints
	f.runs = make([]reductionRun, 0, 4)
	f.points = make([]float64, f.delay*forecastPoints-(width-1)+forecastPoints)
	f.Reset()
	return f, nil
}

// Delay is the delay of the gains against the peaks, in cells.
func (f *LimiterForecast) Delay() int { return f.delay }

// Reset brings the forecast back to the state it was built in.
func (f *LimiterForecast) Reset() {
	f.envelope.reset()
	f.window.reset()
	fill(f.points, 1)
	f.still = 2
}

// AtRest reports whether the gain is 1 and stays 1 while no peak exceeds the
// limit.
func (f *LimiterForecast) AtRest() bool {
	return f.still >= 2 && f.envelope.idle // no more than 2 cells of points are ever pending
}

// Skip passes over a number of cells whose peaks do not exceed the limit, while
// the forecast is AtRest.
func (f *LimiterForecast) Skip(cells int) {
	f.envelope.cells += cells
	f.window.now += cells * forecastPoints
}

// OverDB is how far an input peak in dBFS is above the limit, in dB, drive
// included.
func (f *LimiterForecast) OverDB(peakDBFS float64) float64 { return peakDBFS + f.offsetDB }

// Next takes the largest true peak of the next cell in dBFS, −Inf for silence. It
// returns the mean square and the lowest value of the linear gains of the cell
// Delay cells earlier, without the drive.
func (f *LimiterForecast) Next(peakDBFS float64) (meanSquare, lowest float64) {
	level := f.OverDB(peakDBFS) * log2PerDB
	f.runs = f.envelope.followCell(level, f.runs[:0])
	fresh := f.points[len(f.points)-forecastPoints:]
	if f.window.smooth(f.runs, fresh) {
		fill(fresh, 1)
		f.still++
	} else {
		f.still = 0
	}
	lowest = 1
	for _, g := range f.points[:forecastPoints] {
		meanSquare += float64(g * g)
		lowest = min(lowest, g)
	}
	copy(f.points, f.points[forecastPoints:])
	return meanSquare / forecastPoints, lowest
}

// followCell is follow for a whole cell of the grid, given the level of its
// largest peak, in log2 units over the limit.
func (e *reductionEnvelope) followCell(level float64, runs []reductionRun) []reductionRun {
	if e.idle && !(level > 0) {
		e.cells++
		return appendRun(runs, 0, e.grid)
	}
	at := 0
	if level > 0 && level > min(attentionShare*e.level, e.level-releaseSlack) {
		e.idle, e.largest = false, level
		if level > e.level {
			at = e.grid / 2
			runs = appendRun(runs, e.reduction, at)
			e.setLevel(level)
		}
	}
	runs = appendRun(runs, e.reduction, e.grid-at)
	e.release()
	return runs
}

// forecastReduction is 1 − 2^−level for a level of 0 and more, from a table: on the line
// between two of its values, which lies at most 1.5e-5 of the gain, 0.00013 dB, over it.
func forecastReduction(level float64) float64 {
	at := float64(level * forecastSteps)
	k := int(at)
	if k >= len(forecastGains)-1 {
		return 1 - Exp2(-level)
	}
	low, high := forecastGains[k], forecastGains[k+1]
	return 1 - (low + float64((high-low)*(at-float64(k))))
}

const forecastSteps = 64 // for each factor of two

// forecastGains are the gains 2^−level down to 2^−16.
var forecastGains = func() (gains [16*forecastSteps + 1]float64) {
	for k := range gains {
		gains[k] = Exp2(-float64(k) / forecastSteps)
	}
	return gains
}()
