package expect

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"math"
	"math/bits"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// Fingerprint is the part of a sound that is kept for comparison with a later one:
// enough to state what has changed, where and by how much, not only that something
// has.
type Fingerprint struct {
	RateHz        int                 `json:"rate_hz"`
	Channels      int                 `json:"channels"`
	Frames        int64               `json:"frames"`
	SampleFormat  string              `json:"sample_format"` // as "24-bit integer"
	SampleBits    int                 `json:"sample_bits"`
	UsedBits      int                 `json:"used_bits"`              // down to the lowest that any sample uses; 0: silence, or floating point
	RoundedBits   int                 `json:"rounded_bits,omitempty"` // as UsedBits, of floating-point samples too; 0: silence, or not rounded to 32 bits
	SamplesSHA256 string              `json:"samples_sha256"`         // of the samples as 64-bit floats, frame by frame
	Readings      map[string]*float64 `json:"readings"`               // null: not measurable
	Bands         map[int]float64     `json:"third_octaves_dbfs"`
	Levels        packed              `json:"levels_dbfs"` // of all channels together, over referenceMs
	Reference     *reference          `json:"reference"`
}

const silentDBFS = -200 // stands for silence in levels and bands

// keptReadings are those that a fingerprint keeps.
var keptReadings = []string{"integrated_lufs", "loudness_range_lu", "sample_peak_dbfs", "true_peak_fine_dbtp"}

// fingerprintOf computes the fingerprint of a sound in two passes.
func fingerprintOf(ctx context.Context, s Sound) (*Fingerprint, error) {
	f := &Fingerprint{Readings: map[string]*float64{}, Bands: map[int]float64{}}
	err := s.read(func(src wave.Source) error {
		format := src.Format()
		f.RateHz, f.Channels, f.SampleBits = format.Rate, format.Channels, format.Bits
		f.SampleFormat = fmt.Sprintf("%d-bit %v", format.Bits, format.Encoding)
		m := &imprint{digest: sha256.New(), window: referenceFrames(f.RateHz)}
		bands, sketch := measure.NewThirdOctaves(f.RateHz, f.Channels), newSketcher(f.RateHz, f.Channels)
		if err := measure.EachBlock(ctx, src, m.write, bands.Write, sketch.write); err != nil {
			return err
		}
		if m.broken {
			return fmt.Errorf("found a NaN or infinite sample at frame %d; accepted: finite samples (process --repair-nonfinite replaces others)", m.brokenAt)
		}
		f.Frames, f.Levels, f.SamplesSHA256, f.Reference = m.frames, m.levels, hex.EncodeToString(m.digest.Sum(nil)), sketch.end()
		if format.Encoding == wave.Integer && m.used != 0 {
			f.UsedBits = 32 - bits.TrailingZeros32(m.used)
		}
		if m.used != 0 && !m.unrounded {
			f.RoundedBits = 32 - bits.TrailingZeros32(m.used)
		}
		for _, b := range bands.Levels() {
			f.Bands[b.Hz] = rounded(b.DBFS)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	err = s.read(func(src wave.Source) error {
		readings, err := measure.Programme(ctx, src, measure.AsIs)
		for _, name := range keptReadings {
			r, _ := readings.Get(name)
			f.Readings[name] = nil
			if r.Measurable() {
				value := r.Value
				f.Readings[name] = &value
			}
		}
		return err
	})
	return f, err
}

// rounded is a level to a thousandth of a dB.
func rounded(db float64) float64 {
	if !(db > silentDBFS) {
		return silentDBFS
	}
	return math.Round(db*1000) / 1000
}

// imprint is the meter of a fingerprint.
type imprint struct {
	digest hash.Hash
	window int // frames
	frames int64
	levels packed
	sum    float64
	filled int
	bytes  []byte
	used   uint32 // each bit that any sample uses, of 32

	unrounded bool // a sample has more than 32

	broken   bool // a sample is NaN or infinite
	brokenAt int64
}

func (m *imprint) write(b dsp.Block) {
	m.bytes = m.bytes[:0]
	for n := range b.Frames() {
		for c := range b {
			pattern := math.Float64bits(b[c][n])
			for shift := 0; shift < 64; shift += 8 {
				m.bytes = append(m.bytes, byte(pattern>>shift))
			}
			scaled := b[c][n] * (1 << 31)
			m.used |= uint32(int64(scaled))
			m.unrounded = m.unrounded || float64(int64(scaled)) != scaled
			m.sum += b[c][n] * b[c][n]
			if v := b[c][n]; v-v != 0 && !m.broken {
				m.broken, m.brokenAt = true, m.frames+int64(n)
			}
		}
		if m.filled++; m.filled == m.window {
			m.levels = append(m.levels, asPacked(rounded(dsp.PowerToDB(m.sum/float64(m.window*len(b))))))
			m.sum, m.filled = 0, 0
		}
	}
	m.digest.Write(m.bytes)
	m.frames += int64(b.Frames())
}
