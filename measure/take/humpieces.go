package take

import (
	"sync"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// humPieces are stretches of a channel's pauses, kept for the search of hum. Hum is
// searched for in the noisiest channel alone, which is known at the end: until then those
// of many channels lie in a temporary file.
type humPieces struct {
	store  *humStore
	row    int   // of the store, from 1; 0: none yet
	frames []int // their lengths
	lines  []*spectra.LowLines
}

// humStore is what the pieces of all channels have in common.
type humStore struct {
	mu     sync.Mutex
	sound  *wave.Stored // a row for each noise spectrum
	rows   int
	failed error
}

// humInMemory is how many samples of pieces are kept without a file: 8 MB, those of two
// channels at 48 kHz.
const humInMemory = 1 << 20

// newHumStore is for so many noise spectra at most.
func newHumStore(spectra int) *humStore {
	return &humStore{sound: wave.NewStoredWithin(wave.Format{Channels: spectra}, humInMemory)}
}

// add keeps a piece. All pieces together have at most most samples.
func (p *humPieces) add(x []float64, most int) {
	p.store.mu.Lock()
	defer p.store.mu.Unlock()
	if p.row == 0 {
		p.store.rows++
		p.row = p.store.rows
		p.store.sound.Reserve(p.row-1, most)
	}
	if err := p.store.sound.Append(p.row-1, x); err != nil && p.store.failed == nil {
		p.store.failed = err
	}
	p.frames = append(p.frames, len(x))
}

// read prepares the pieces for the search for lines.
func (p *humPieces) read(rate int) error {
	if p.row == 0 || p.lines != nil {
		return nil
	}
	x, err := p.store.sound.Plane(p.row - 1)
	if err != nil {
		return err
	}
	for _, frames := range p.frames {
		p.lines = append(p.lines, spectra.LowLinesThrough(spectra.Hann(frames), x[:frames], rate, humHighestHz))
		x = x[frames:]
	}
	return nil
}

// close removes the temporary file. An error states that it could not be written.
func (s *humStore) close() error {
	s.sound.Close()
	return s.failed
}
