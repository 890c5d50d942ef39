package take

import (
	"encoding/binary"
	"math"
	"sync"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// levelTrack is a row of levels in hundredths of a dB (re full scale, mean square): two
// bytes each, in chunks that are never copied as it grows. What a store has no room for
// lies in its temporary file. A track is read by one goroutine at a time.
type levelTrack struct {
	store  *trackStore // nil: all is in memory
	chunks []trackPart
	n      int
	free   []int16 // a chunk that was written to the file
	read   []int16 // the chunk that was read last
	isRead int     // its number, from 1
}

// trackPart is a chunk: in memory, or from a byte of the file on.
type trackPart struct {
	levels []int16
	at     int64
}

const (
	trackChunk = 1 << 12
	// Levels are kept within these, in hundredths of a dB.
	lowestLevel, highestLevel = -20000, 10000
)

// trackStore is what the tracks of a take have in common.
type trackStore struct {
	scratch wave.Scratch
	most    int // chunks that are kept in memory

	mu      sync.Mutex
	kept    int  // chunks
	refused bool // the file could not be written: the rest stays in memory too
	failed  error
	bytes   []byte
}

// chunksInMemory is 16 MB: the levels of eight hours in one channel.
const chunksInMemory = 16 << 20 / (2 * trackChunk)

func newTrackStore() *trackStore { return &trackStore{most: chunksInMemory} }

// tracks returns n tracks that the store keeps.
func (s *trackStore) tracks(n int) []levelTrack {
	all := make([]levelTrack, n)
	for i := range all {
		all[i].store = s
	}
	return all
}

// close removes the temporary file. An error states that it could not be read back.
func (s *trackStore) close() error {
	s.scratch.Close()
	return s.failed
}

// keep finds room for a full chunk.
func (s *trackStore) keep(p *trackPart) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.kept < s.most || s.refused {
		s.kept++
		return
	}
	if s.bytes == nil {
		s.bytes = make([]byte, 2*trackChunk)
	}
	for i, v := range p.levels {
		binary.LittleEndian.PutUint16(s.bytes[2*i:], uint16(v))
	}
	at, err := s.scratch.Append(s.bytes)
	if err != nil {
		s.refused = true
		return
	}
	p.levels, p.at = nil, at
}

// load reads a chunk back.
func (s *trackStore) load(levels []int16, p trackPart) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.scratch.Read(s.bytes, p.at); err != nil && s.failed == nil {
		s.failed = err
	}
	for i := range levels {
		levels[i] = int16(binary.LittleEndian.Uint16(s.bytes[2*i:]))
	}
}

// add adds the level of a mean square.
func (t *levelTrack) add(meanSquare float64) {
	i := t.n % trackChunk
	if i == 0 {
		if t.free == nil {
			t.free = make([]int16, trackChunk)
		}
		t.chunks = append(t.chunks, trackPart{levels: t.free})
		t.free = nil
	}
	last := &t.chunks[len(t.chunks)-1]
	levels := last.levels
	levels[i] = hundredths(meanSquare)
	t.n++
	if i == trackChunk-1 && t.store != nil {
		if t.store.keep(last); last.levels == nil {
			t.free = levels
		}
	}
}

func (t *levelTrack) at(i int) int16 {
	p := t.chunks[i/trackChunk]
	if p.levels != nil {
		return p.levels[i%trackChunk]
	}
	if t.isRead != i/trackChunk+1 {
		if t.read == nil {
			t.read = make([]int16, trackChunk)
		}
		t.store.load(t.read, p)
		t.isRead = i/trackChunk + 1
	}
	return t.read[i%trackChunk]
}

// db is a level in dBFS.
func (t *levelTrack) db(i int) float64 { return float64(t.at(i)) / 100 }

// hundredths is the level of a mean square in hundredths of a dB.
func hundredths(meanSquare float64) int16 {
	if !(meanSquare > 0) {
		return lowestLevel
	}
	return int16(math.Round(max(lowestLevel, min(highestLevel, 100*dsp.PowerToDB(meanSquare)))))
}
