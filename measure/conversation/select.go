package conversation

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// Conditions that a window must meet. Powers are ratios.
const (
	leastOverFloor = 30        // 15 dB: the noise adds at most 0.14 dB to the voice
	mostUnderTop   = 1.0 / 300 // 25 dB
	// Noise in a voice's own microphone does not bias a delay, and soft sibilants contribute
	// much to it, so short windows may be softer.
	leastOverFloorBrief = 2         // 3 dB
	mostUnderTopBrief   = 1.0 / 1e4 // 40 dB
	loudUnderTop        = 1.0 / 16  // 12 dB: the bleed is first estimated from these windows
	mostOverBleed       = 2         // 3 dB above the bleed and the noise: another person speaks as well
	noiseOverFloor      = 3         // by how much noise may exceed the floor: a stricter limit would bias a soft bleed
	leastRange          = 16        // 12 dB from pauses to speech
	pauseOverFloor      = 4         // 6 dB
	leastApart          = 0.25      // largest product of both bleeds, −6 dB: each voice is 3 dB louder in its own microphone
	leastAlone          = 16        // number of windows, which overlap by half
)

// placeIn returns the map from frames of one microphone to those of another one.
func (m *measurement) placeIn(i, j int) timemap.Map {
	if i == j {
		return timemap.Map{Speed: 1}
	}
	if back := m.ways[j][i]; !m.ways[i][j].found && back.found {
		return timemap.Map{Delay: -back.Delay / back.Speed, Speed: 1 / back.Speed}
	}
	return m.ways[i][j].Map
}

// first returns the first microphone that is not silent. Pauses are counted in its frames.
func (m *measurement) first() int {
	for i, l := range m.mics {
		if l.top > 0 {
			return i
		}
	}
	return 0
}

// powers returns the powers of all microphones in a window of one of them. Ok is false where a
// recording does not cover the window, because it started later or ended earlier: its silence
// would look like less bleed.
func (m *measurement) powers(i int, from int64, frames int) (p []float64, ok bool) {
	p = make([]float64, len(m.mics))
	for j, l := range m.mics {
		if l.top == 0 { // silent or too short: it has no voice that could be missed
			continue
		}
		place := m.placeIn(i, j)
		at := place.At(int(from))
		if at < 0 || at+float64(frames)*place.Speed > float64(l.frames) {
			return nil, false
		}
		p[j] = l.power(at, frames)
	}
	return p, true
}

// estimateBleeds estimates the bleed of a voice as the power of the other microphone relative to
// that of its own. It uses the twentieth of the loud windows in which this ratio is least, in
// which mostly no other person speaks.
func (m *measurement) estimateBleeds() {
	length := windowFrames(m.rate)
	for i, l := range m.mics {
		ratios := make([][]float64, len(m.mics))
		for from := int64(0); from+int64(length) <= l.frames; from += int64(length) {
			p, ok := m.powers(i, from, length)
			if !ok || p[i] < loudUnderTop*l.top || p[i] == 0 {
				continue
			}
			for j := range p {
				ratios[j] = append(ratios[j], p[j]/p[i])
			}
		}
		for j := range m.mics {
			if n := len(ratios[j]); n > 0 {
				slices.Sort(ratios[j])
				m.ways[i][j].bleed = ratios[j][n/20]
			}
		}
	}
}

// choose finds the windows in which one voice speaks alone, which overlap by half, and those in
// which nobody speaks.
func (m *measurement) choose() {
	length := windowFrames(m.rate)
	m.alone, m.clear, m.brief = make([][]int64, len(m.mics)), make([][]int64, len(m.mics)), make([][]int64, len(m.mics))
	m.pause = nil
	for i := range m.mics {
		l := m.mics[i]
		m.alone[i] = m.windowsOf(i, length, max(leastOverFloor*l.floor, mostUnderTop*l.top), m.speaksAlone)
		m.clear[i] = m.windowsOf(i, length, max(leastOverFloor*l.floor, mostUnderTop*l.top), m.isClear)
		m.brief[i] = m.windowsOf(i, shortFrames(m.rate), max(leastOverFloorBrief*l.floor, mostUnderTopBrief*l.top), m.speaksAlone)
	}
	first := m.first()
	for from := int64(0); from+int64(length/4) <= m.mics[first].frames; from += int64(length / 4) {
		if p, ok := m.powers(first, from, length/4); ok && m.silence(p) {
			m.pause = append(m.pause, from)
		}
	}
}

// windowsOf returns the first frames of the windows of a length that meet a condition. Least is
// the least power of the voice, which is passed to the condition.
func (m *measurement) windowsOf(i, length int, least float64, meets func(i int, p []float64, least float64) bool) (all []int64) {
	for from := int64(0); from+int64(length) <= m.mics[i].frames; from += int64(length / 2) {
		if p, ok := m.powers(i, from, length); ok && meets(i, p, least) {
			all = append(all, from)
		}
	}
	return all
}

// aloneSeconds returns the time in which only this voice speaks.
func (m *measurement) aloneSeconds(i int) float64 {
	frames, end := int64(0), int64(0)
	for _, from := range m.alone[i] {
		to := from + int64(windowFrames(m.rate))
		frames += to - max(from, end)
		end = to
	}
	return float64(frames) / float64(m.rate)
}

// speaksAlone reports whether a voice has at least a given power while the other microphones
// have only its bleed and their noise.
func (m *measurement) speaksAlone(i int, p []float64, least float64) bool {
	for j := range p {
		if j != i && !m.onlyBleeds(i, j, p) {
			return false
		}
	}
	return p[i] >= least && p[i] > 0
}

// isClear is like speaksAlone, but ignores microphones that share no found bleed with this one:
// their sound does not change the level here.
func (m *measurement) isClear(i int, p []float64, least float64) bool {
	for j := range p {
		if j != i && (m.ways[i][j].found || m.ways[j][i].found) && !m.onlyBleeds(i, j, p) {
			return false
		}
	}
	return p[i] >= least && p[i] > 0
}

// onlyBleeds reports whether microphone j has only the bleed of voice i and its own noise.
func (m *measurement) onlyBleeds(i, j int, p []float64) bool {
	return p[j] <= mostOverBleed*(m.ways[i][j].bleed*p[i]+noiseOverFloor*m.mics[j].floor)
}

func (m *measurement) silence(p []float64) bool {
	for j, l := range m.mics {
		if p[j] > max(pauseOverFloor*l.floor, 1e-6*l.top) {
			return false
		}
	}
	return true
}

// voiceLUFS returns the gated loudness of the 400 ms blocks, 100 ms apart, in which a
// microphone has only one voice (Rec. ITU-R BS.1770-5 Annex 1, over those blocks).
func (m *measurement) voiceLUFS(i int) (lufs float64, ok bool) {
	l := m.mics[i]
	block := 4 * m.rate / 10
	var powers []float64
	for hop := 0; hop+4 <= len(l.profile.Energies); hop++ {
		if p, ok := m.powers(i, int64(hop*m.rate/10), block); ok && m.isClear(i, p, max(leastOverFloor*l.floor, mostUnderTop*l.top)) {
			powers = append(powers, p[i])
		}
	}
	mean := func(gate float64) (float64, int) {
		sum, count := 0.0, 0
		for _, p := range powers {
			if p > gate {
				sum, count = sum+p, count+1
			}
		}
		return sum / float64(max(1, count)), count
	}
	absolute := math.Pow(10, (-70+0.691)/10)
	above, _ := mean(absolute)
	power, count := mean(max(absolute, above/10))
	return -0.691 + 10*math.Log10(power), count > 0
}
