package dsp

import "github.com/boothbench/boothbench/dsp/vector"

// SectionLevels gives the level of a sound behind each of up to four filter sections, all
// at once, and leaves the sound as it is.
type SectionLevels struct {
	quartet *vector.Quartet
	state   []vector.QuartetState // of each channel
	grid    grid
}

// NewSectionLevels makes it of one to four sections, for a number of channels.
func NewSectionLevels(sections []Biquad, channels int) *SectionLevels {
	var kernels []vector.Section
	for _, s := range sections {
		kernels = append(kernels, vector.NewSection(s.B0, s.B1, s.B2, s.A1, s.A2))
	}
	return &SectionLevels{quartet: vector.NewQuartet(kernels), state: make([]vector.QuartetState, channels), grid: newGrid()}
}

// Add takes frames from … to−1 of a block.
func (l *SectionLevels) Add(b Block, from, to int) {
	for from < to {
		end := min(to, from+stateGrid-l.grid.since)
		if l.grid.empty = l.grid.empty && silent(b, from, end); !l.grid.empty {
			for c := range l.state {
				l.quartet.Read(b[c][from:end], &l.state[c])
			}
		}
		if l.grid.advance(end - from) {
			l.settle()
		}
		from = end
	}
}

// Take gives, of a channel, what has come out of each section since the last Take: the sum
// of squares and the largest magnitude.
func (l *SectionLevels) Take(channel int) (squares, peaks [4]float64) {
	s := &l.state[channel]
	squares, peaks = s.Squares, s.Peaks
	s.Squares, s.Peaks = [4]float64{}, [4]float64{}
	return squares, peaks
}

func (l *SectionLevels) settle() {
	l.grid.empty = true
	for c := range l.state {
		s := &l.state[c]
		for i := range s.S1 {
			s.S1[i], s.S2[i] = settled(s.S1[i]), settled(s.S2[i])
			l.grid.empty = l.grid.empty && s.S1[i] == 0 && s.S2[i] == 0
		}
	}
}
