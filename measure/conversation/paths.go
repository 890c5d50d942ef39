package conversation

import (
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

const (
	mostAlone       = 600 // long windows that are analysed
	mostBrief       = 4 * mostAlone
	mostPauses      = 400
	leastPauses     = 16  // each a quarter of a long window
	mostFollowed    = 60  // windows in which delays are followed over time
	mostShared      = 0.1 // largest share of the bleed's power that common sound may have: 0.4 dB
	leastBleedRatio = 6.0 // least ratio to its standard error of a bleed that counts as found
	mostDeviationDB = 1.0 // dB: the largest standard error of a bleed that is stated
)

// measurePaths measures every voice in every other microphone twice: with the bleeds of the
// first pass it chooses better windows for the second.
func (m *measurement) measurePaths() error {
	m.estimateBleeds()
	for range 2 {
		m.choose()
		for i := range m.mics {
			for j := range m.mics {
				if i == j {
					continue
				}
				if err := m.measurePath(i, j); err != nil {
					return err
				}
				m.step()
			}
		}
	}
	m.joinDrifts()
	return nil
}

// unfit returns the reason that a microphone does not fit the model, independent of the others.
func (l *levels) unfit() string {
	switch {
	case len(l.profile.Energies) == 0:
		return fmt.Sprintf("%s is too short: %.3f s", l.Name, float64(l.frames)/float64(l.rate))
	case l.top == 0:
		return l.Name + " is silent"
	case l.top < leastRange*l.floor:
		return fmt.Sprintf("%s has no pauses, or no voice: its level varies by %.0f dB only", l.Name, dsp.PowerToDB(l.top/l.floor))
	}
	return ""
}

// unfit returns the reason that two microphones do not fit the model.
func (m *measurement) unfit(i, j int) string {
	a, b := m.mics[i], m.mics[j]
	for _, l := range []*levels{a, b} {
		if why := l.unfit(); why != "" {
			return why
		}
	}
	switch {
	case a.digest == b.digest && a.frames == b.frames:
		return fmt.Sprintf("%s and %s are the same sound", a.Name, b.Name)
	case m.ways[i][j].bleed*m.ways[j][i].bleed > leastApart:
		why := fmt.Sprintf("%s and %s have the same voice throughout, always at the same difference of level: ", a.Name, b.Name)
		short, long := a, b
		if b.frames < a.frames {
			short, long = b, a
		}
		if 2*short.frames < long.frames {
			seconds := func(l *levels) float64 { return float64(l.frames) / float64(l.rate) }
			return why + fmt.Sprintf("%s ends after %.1f s of the %.1f s of %s, and no voice of its own is in that part", short.Name, seconds(short), seconds(long), long.Name)
		}
		return why + "one speaker, or copies of one sound"
	}
	return ""
}

// measurePath measures a voice in another microphone, or states why that is impossible.
func (m *measurement) measurePath(i, j int) error {
	w := &m.ways[i][j]
	w.measured, w.absent = false, false
	own, other := m.mics[i].Name, m.mics[j].Name
	if w.reason = m.unfit(i, j); w.reason != "" {
		return nil
	}
	alone := some(m.alone[i], mostAlone)
	pauses := some(m.pause, mostPauses)
	switch {
	case !w.found:
		m.noBleed(i, j)
		return nil
	case len(alone) < leastAlone:
		w.reason = "no voice speaks alone in " + own + " for long enough"
		return nil
	case len(pauses) < leastPauses:
		w.reason = "there are too few pauses to see whether the microphones share another sound"
		return nil
	}
	if err := m.follow(i, j, alone); err != nil || w.reason != "" {
		return err
	}
	r, err := m.refine(i, j, some(m.brief[i], mostBrief))
	if err != nil {
		return err
	}
	sum, err := m.sumOf(i, j, alone, r)
	if err != nil {
		return err
	}
	var begins []int64 // starts of the pauses, in this microphone
	for _, at := range pauses {
		begins = append(begins, int64(math.Round(m.placeIn(m.first(), i).At(int(at)))))
	}
	quiet, err := m.crossesOf(w.Map, i, j, windowFrames(m.rate)/4, begins, 1)
	if err != nil {
		return err
	}
	b := bleedOf(sum, quiet[0])
	switch {
	case b.voice < leastBleedRatio*b.nothing:
		m.noBleed(i, j)
		return nil
	case b.shared > mostShared*b.voice:
		w.reason = fmt.Sprintf("%s and %s share another sound, %.0f dBFS in %s while nobody speaks: music, or noise of the room", own, other, dsp.PowerToDB(b.shared), other)
		return nil
	case dsp.PowerToDB(1+b.deviation) > mostDeviationDB:
		w.reason = fmt.Sprintf("the bleed is uncertain by more than %g dB: of what %s has while the voice of %s speaks, only a part follows it", mostDeviationDB, other, own)
		return nil
	}
	w.bleed, w.bleedDeviation = b.ratio, b.deviation
	w.inverted, w.delayDeviation, w.centre, w.measured = r.inverted, r.deviation, r.centre, true
	w.delay = w.Delay + (w.Speed-1)*w.centre + r.later
	return nil
}

// joinDrifts gives both paths between two microphones the same drift, since they have the same
// two clocks: the mean of both, weighted by their standard errors. A delay is most certain in
// the middle of its windows, and a better drift makes it more certain at the start.
func (m *measurement) joinDrifts() {
	for i := range m.mics {
		for j := range i {
			a, b := &m.ways[i][j], &m.ways[j][i]
			a.drift, b.drift = a.Speed-1, b.Speed-1
			a.driftDeviation, b.driftDeviation = a.deviation, b.deviation
			if a.measured && b.measured && !math.IsInf(a.deviation+b.deviation, 0) {
				p, q := 1/(a.deviation*a.deviation), 1/(b.deviation*b.deviation)
				drift := (p*a.drift - q*b.drift) / (p + q)
				// Where the two drifts differ, a head is moving.
				deviation := math.Hypot(1/math.Sqrt(p+q), contradicts*math.Abs(a.drift+b.drift))
				if math.Abs(drift) < significantDrift*deviation {
					// It counts as no drift; the part that may remain increases the delays'
					// errors.
					hidden := max(0, math.Abs(drift)-deviation)
					a.delayDeviation, b.delayDeviation = math.Hypot(a.delayDeviation, hidden*a.centre), math.Hypot(b.delayDeviation, hidden*b.centre)
					drift = 0
				}
				a.drift, b.drift = drift, -drift
				a.driftDeviation, b.driftDeviation = deviation, deviation
			}
			for _, w := range []*way{a, b} {
				if w.drift != 0 && !math.IsInf(w.driftDeviation, 0) {
					w.delayDeviation = math.Hypot(w.delayDeviation, w.driftDeviation*w.centre)
				}
			}
			a.delay -= a.drift * a.centre
			b.delay -= b.drift * b.centre
		}
	}
}

// noneFound is the start of the reason for a bleed that was not found.
const noneFound = "no bleed found"

// noBleed states that a voice was not found in another microphone, and sets an upper bound of
// its bleed: the whole sound of the other microphone while the voice speaks alone, plus twice
// its standard error. No noise is subtracted, because it may differ in the pauses. Sound below
// half a step of the recording's format may be missing from the recording.
func (m *measurement) noBleed(i, j int) {
	w := &m.ways[i][j]
	w.absent, w.atMost = true, math.Inf(1)
	w.reason = fmt.Sprintf("%s; delays of up to %d s were searched", noneFound, farMs/1000)
	windows, length := m.alone[i], windowFrames(m.rate)
	if len(windows) < leastAlone { // the gaps between another person's words may be enough
		windows, length = m.brief[i], shortFrames(m.rate)
	}
	if len(windows)*length < leastAlone*windowFrames(m.rate) {
		w.reason += fmt.Sprintf("; how small it is stays undecided: while the voice of %s speaks, %s is not quiet for long enough", m.mics[i].Name, m.mics[j].Name)
		return
	}
	var own, other, squares float64
	for _, from := range windows {
		p, _ := m.powers(i, from, length)
		own, other, squares = own+p[i], other+p[j], squares+p[j]*p[j]
	}
	n := float64(len(windows))
	deviation := math.Sqrt(overlapped * max(0, squares/n-other/n*other/n) / n)
	most := max(other/n+2*deviation, m.mics[j].halfStep*m.mics[j].halfStep)
	w.atMost = most / (own / n)
}

// follow measures the delay of a voice in the windows in which it speaks alone, and its changes
// over time by a drift of the clocks or by cuts. It also checks the search, which may have
// found another voice.
func (m *measurement) follow(i, j int, alone []int64) error {
	w := &m.ways[i][j]
	var windows []planes.Extent
	for _, at := range some(alone, mostFollowed) {
		windows = append(windows, planes.Extent{From: at, Frames: windowFrames(m.rate)})
	}
	reach := m.rate * nearMs / 1000
	peaks, sum, err := m.correlate(w.Map, i, j, reach, windows)
	if err != nil {
		return err
	}
	near := agreeMs * float64(m.rate) / 1000
	line, count := bestLine(peaks, near)
	if at, height := clearest(sum[:2*reach+1]); count < max(4, 2*len(peaks)/5) {
		if height < leastClear {
			m.noBleed(i, j)
			return nil
		}
		line = timemap.Map{Delay: float64(at - reach), Speed: 1}
	}
	var on []peak
	parts := [3][2]int{} // thirds of the time: windows on the line, and all
	for k, p := range peaks {
		part := &parts[3*k/len(peaks)]
		part[1]++
		if math.Abs(p.delay-line.Delay-(line.Speed-1)*p.centre) <= near {
			p.deviation = 0.3 // frames: the standard deviation of rounding to a whole number (1/√12)
			on = append(on, p)
			part[0]++
		}
	}
	share := func(p [2]int) float64 { return float64(p[0]) / float64(max(1, p[1])) }
	most, least := max(share(parts[0]), share(parts[1]), share(parts[2])), min(share(parts[0]), share(parts[1]), share(parts[2]))
	if len(peaks) >= 12 && most >= 0.6 && least < 0.3*most {
		w.reason = fmt.Sprintf("the delay of the voice of %s in %s does not stay: one of the two was cut or has lost frames", m.mics[i].Name, m.mics[j].Name)
		return nil
	}
	if len(on) > 0 {
		line = lineThrough(on, significantDrift, leastDrift).Map
	}
	w.Delay += w.Speed * line.Delay
	if w.Speed *= line.Speed; w.Speed == 1 {
		w.Delay = math.Round(w.Delay)
	}
	return nil
}

const (
	mostGroups          = 40
	leastGroup          = 24   // short windows in a group
	leastLong           = 6    // long windows in a group
	mostAround          = 5.0  // frames: largest distance of a group's delay from that of all
	significantDrift    = 6.0  // least ratio of a drift to its standard error
	leastDrift          = 0.02 // frames, from the first window to the last
	contradicts         = 0.5  // share of the difference of two drifts that is added to the standard error of their mean
	significantMovement = 3.0  // least ratio of the variance to that explained by noise if a head moves
)

// refined is the result of refine.
type refined struct {
	later     float64 // delay in frames, relative to the map
	deviation float64 // standard error of later
	inverted  bool
	centre    float64 // frame at which later is measured
	moves     bool    // a head moves: the delay varies by more than noise explains
}

// refine measures the delay to a fraction of a frame, in groups of short windows. It also finds
// a drift too small to show in whole frames, and corrects the map.
func (m *measurement) refine(i, j int, brief []int64) (refined, error) {
	w := &m.ways[i][j]
	length := shortFrames(m.rate)
	groups := max(1, min(mostGroups, len(brief)/leastGroup))
	for pass := 0; ; pass++ {
		parts, err := m.crossesOf(w.Map, i, j, length, brief, groups)
		if err != nil {
			return refined{}, err
		}
		all := newCross(length, parts[0].weights)
		for _, c := range parts {
			all.add(c)
		}
		later, deviation, inverted, weights := all.delay()
		if weights.information == 0 {
			return refined{deviation: math.Inf(1)}, nil
		}
		// A window displaced by a tenth of its length loses half a decibel of bleed.
		if math.Abs(later) > 1 && pass < 3 {
			w.Delay += math.Round(later)
			continue
		}
		points := groupDelays(parts, brief, weights, later)
		least, inAll := significantDrift, leastDrift
		if w.Speed != 1 { // a drift was already found: only its size is refined
			least, inAll = 0, leastDrift/100
		}
		line := lineThrough(points, least, inAll)
		w.deviation = line.deviation
		if line.Speed != 1 && pass < 3 {
			w.Delay += w.Speed * line.Delay
			w.Speed *= line.Speed
			continue
		}
		r := refined{later, deviation, inverted, line.centre, line.strain > significantMovement}
		if r.moves {
			r.later = line.level
			r.deviation = math.Hypot(deviation, line.sways) // of the delay at any moment
		}
		return r, nil
	}
}

// sumOf sums the spectra of the long windows of a voice for its bleed. Where the delay varies,
// each group of windows has its own delay.
func (m *measurement) sumOf(i, j int, alone []int64, r refined) (*cross, error) {
	groups := 1
	if r.moves {
		groups = max(1, min(mostGroups, len(alone)/leastLong))
	}
	length := windowFrames(m.rate)
	parts, err := m.crossesOf(m.ways[i][j].Map, i, j, length, alone, groups)
	if err != nil {
		return nil, err
	}
	all := newCross(length, parts[0].weights)
	for _, c := range parts {
		all.add(c)
	}
	if !r.moves {
		return all, nil
	}
	later, _, _, weights := all.delay()
	sum := newCross(length, all.weights)
	for g, p := range groupDelays(parts, alone, weights, later) {
		sum.add(parts[g].rotated(p.delay - later))
	}
	return sum, nil
}

// groupDelays measures the delay of each group, near the common delay and with the common
// weighting.
func groupDelays(parts []*cross, alone []int64, w weighting, later float64) (points []peak) {
	total := 0.0
	for g, c := range parts {
		p := peak{centre: float64(c.length) / 2, delay: later}
		begins := alone[(g*len(alone)+len(parts)-1)/len(parts):][:c.count]
		for _, at := range begins {
			p.centre += float64(at) / float64(c.count)
		}
		weighted := c.weighted(w)
		if at, _ := spectra.Crest(weighted, c.length, later); math.Abs(at-later) <= mostAround {
			p.delay = at
		}
		p.height = math.Abs(curvature(weighted, c.length, p.delay))
		total += p.height
		points = append(points, p)
	}
	for g := range points { // each peak's share of the information follows from its curvature
		points[g].deviation = 1 / math.Sqrt(w.information*max(points[g].height/total, 1e-6))
	}
	return points
}

// some returns at most a number of elements of a list, evenly spaced.
func some[T any](all []T, most int) []T {
	if len(all) <= most {
		return all
	}
	kept := make([]T, most)
	for k := range kept {
		kept[k] = all[k*len(all)/most]
	}
	return slices.Clip(kept)
}
