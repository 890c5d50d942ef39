package conversation

import (
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

const (
	mostAlone    = 300 // windows that are transformed
	mostPauses   = 400
	leastPauses  = 16  // of a quarter of a window
	mostFollowed = 60  // windows in which a delay is followed
	mostShared   = 0.1 // of the bleed's power: 0.4 dB
	leastSure    = 6.0 // standard errors
)

// measurePaths measures every voice in every other microphone: twice, the second time in
// the windows that the first measurement has found.
func (m *measurement) measurePaths() error {
	m.guessBleeds()
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
			}
		}
	}
	m.joinDrifts()
	return nil
}

// unfit is why two microphones do not fit the model.
func (m *measurement) unfit(i, j int) string {
	a, b := m.mics[i], m.mics[j]
	for _, l := range []*levels{a, b} {
		switch {
		case l.top == 0:
			return l.Name + " is silent"
		case l.top < leastRange*l.floor:
			return fmt.Sprintf("%s has no pauses: its level falls by %.0f dB only", l.Name, dsp.PowerToDB(l.top/l.floor))
		}
	}
	switch {
	case a.digest == b.digest && a.frames == b.frames:
		return fmt.Sprintf("%s and %s are the same sound", a.Name, b.Name)
	case m.ways[i][j].bleed*m.ways[j][i].bleed > leastApart:
		return fmt.Sprintf("no voice is louder in one of %s and %s than in the other: one speaker, or copies of one sound", a.Name, b.Name)
	}
	return ""
}

// measurePath measures a voice in another microphone, or says why it cannot be.
func (m *measurement) measurePath(i, j int) error {
	w := &m.ways[i][j]
	w.measured = false
	own, other := m.mics[i].Name, m.mics[j].Name
	if w.reason = m.unfit(i, j); w.reason != "" {
		return nil
	}
	alone := some(m.alone[i], mostAlone)
	pauses := some(m.pause, mostPauses)
	switch {
	case len(alone) < leastAlone:
		w.reason = "no voice speaks alone in " + own + " for long enough"
		return nil
	case !w.found:
		w.reason = m.noBleed(i, j)
		return nil
	case len(pauses) < leastPauses:
		w.reason = "there are too few pauses to see whether the microphones share another sound"
		return nil
	}
	if err := m.follow(i, j, alone); err != nil || w.reason != "" {
		return err
	}
	length := windowFrames(m.rate)
	c, err := m.refine(i, j, alone)
	if err != nil {
		return err
	}
	power, powerDeviation, nothing, voice := c.coherent()
	if power < leastSure*nothing {
		w.reason = fmt.Sprintf("no bleed found: what of %s is in %s lies under the noise", own, other)
		return nil
	}
	var begins []int64 // of the pauses, in this microphone
	for _, at := range pauses {
		begins = append(begins, int64(math.Round(m.placeIn(0, i).At(int(at)))))
	}
	quiet, err := m.crossOf(w.Map, i, j, length/4, begins)
	if err != nil {
		return err
	}
	shared, _, _, noise := quiet.coherent()
	if shared > mostShared*power {
		w.reason = fmt.Sprintf("%s and %s share another sound, %.0f dBFS in %s while nobody speaks: music, or noise of the room", own, other, dsp.PowerToDB(shared), other)
		return nil
	}
	later, deviation, inverted := c.delay()
	w.bleed, w.inverted, w.known, w.measured = power/(voice-noise), inverted, deviation, true
	w.bleedDeviation = powerDeviation / power
	w.centre = float64(length) / 2
	for _, at := range alone {
		w.centre += float64(at) / float64(len(alone))
	}
	w.delay = w.Delay + (w.Speed-1)*w.centre + later
	return nil
}

// joinDrifts takes one drift for both ways between two microphones, which have the same
// two clocks: the mean of both, by their standard errors. A delay is known best in the
// middle of its windows; with the better drift it is better known at the beginning.
func (m *measurement) joinDrifts() {
	for i := range m.mics {
		for j := range i {
			a, b := &m.ways[i][j], &m.ways[j][i]
			switch {
			case a.Speed == 1 && b.Speed == 1:
			case a.measured && b.measured && !math.IsInf(a.deviation+b.deviation, 0):
				p, q := 1/(a.deviation*a.deviation), 1/(b.deviation*b.deviation)
				a.drift = (p*(a.Speed-1) - q*(b.Speed-1)) / (p + q)
				if math.Abs(a.drift) < surelyDrifts/math.Sqrt(p+q) {
					a.drift = 0
				}
				b.drift = -a.drift
			default:
				a.drift, b.drift = a.Speed-1, b.Speed-1
			}
			for _, w := range []*way{a, b} {
				if w.drift != 0 && !math.IsInf(w.deviation, 0) {
					w.known = math.Hypot(w.known, w.deviation*w.centre)
				}
			}
			a.delay -= a.drift * a.centre
			b.delay -= b.drift * b.centre
		}
	}
}

func (m *measurement) noBleed(i, j int) string {
	return fmt.Sprintf("no bleed found: the voice of %s does not appear in %s, up to %d s earlier or later", m.mics[i].Name, m.mics[j].Name, farMs/1000)
}

// follow finds the delay of a voice in the windows in which it speaks alone, and follows
// it over time, for a drift of the clocks and for cuts. The search that came before may
// have found another voice.
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
			w.reason = m.noBleed(i, j)
			return nil
		}
		line = timemap.Map{Delay: float64(at - reach), Speed: 1}
	}
	var on []peak
	parts := [3][2]int{} // of the time: windows on the line, and all
	for k, p := range peaks {
		part := &parts[3*k/len(peaks)]
		part[1]++
		if math.Abs(p.delay-line.Delay-(line.Speed-1)*p.centre) <= near {
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
		line, _ = drift(on, 0.3, surelyDrifts) // whole frames
	}
	w.Delay += w.Speed * line.Delay
	if w.Speed *= line.Speed; w.Speed == 1 {
		w.Delay = math.Round(w.Delay)
	}
	return nil
}

// drift is the line of least squares through peaks whose delays are known to a deviation.
// A slope within some of its standard errors, or of a fiftieth of a frame in all, is none.
func drift(on []peak, known, least float64) (line timemap.Map, deviation float64) {
	n := float64(len(on))
	var x, y, xx, xy float64
	for _, p := range on {
		x, y = x+p.centre/n, y+p.delay/n
	}
	for _, p := range on {
		xx += (p.centre - x) * (p.centre - x)
		xy += (p.centre - x) * (p.delay - y)
	}
	level := timemap.Map{Delay: y, Speed: 1}
	if len(on) < 4 || xx == 0 {
		return level, math.Inf(1)
	}
	slope, rest := xy/xx, 0.0
	for _, p := range on {
		d := p.delay - y - slope*(p.centre-x)
		rest += d * d
	}
	deviation = math.Sqrt((rest/(n-2) + known*known) / xx)
	if reach := on[len(on)-1].centre - on[0].centre; math.Abs(slope) < least*deviation || math.Abs(slope)*reach < 0.02 {
		return level, deviation
	}
	return timemap.Map{Delay: y - slope*x, Speed: 1 + slope}, deviation
}

const (
	mostGroups   = 8
	leastGroup   = 4    // windows
	groupFrames  = 0.01 // to which a group's delay is known at best
	surelyDrifts = 6.0  // standard errors
)

// refine reads the delay between the frames in groups of windows, for a drift that whole
// frames do not show, and returns the sum of all windows with that taken out.
func (m *measurement) refine(i, j int, alone []int64) (*cross, error) {
	w := &m.ways[i][j]
	length := windowFrames(m.rate)
	groups := max(1, min(mostGroups, len(alone)/leastGroup))
	for pass := 0; ; pass++ {
		var all *cross
		var delays []peak
		for g := range groups {
			part := alone[g*len(alone)/groups : (g+1)*len(alone)/groups]
			c, err := m.crossOf(w.Map, i, j, length, part)
			if err != nil {
				return nil, err
			}
			later, _, _ := c.delay()
			delays = append(delays, peak{centre: float64(part[0]+part[len(part)-1]+int64(length)) / 2, delay: later})
			if all == nil {
				all = c
			} else {
				all.add(c)
			}
		}
		// A window that lies wrongly by a tenth of its length loses half a decibel.
		if later, _, _ := all.delay(); math.Abs(later) > 1 && pass < 2 {
			w.Delay += math.Round(later)
			continue
		}
		least := surelyDrifts
		if w.Speed != 1 { // it does; by how much, is the question
			least = 0
		}
		line, deviation := drift(delays, groupFrames, least)
		w.deviation = deviation
		if pass == 2 || line.Speed == 1 {
			return all, nil
		}
		w.Delay += w.Speed * line.Delay
		w.Speed *= line.Speed
	}
}

// some are at most so many of a list, evenly.
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
