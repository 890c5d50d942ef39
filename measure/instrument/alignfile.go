package instrument

import (
	"errors"
	"fmt"
	"io"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// IdentityOf reads a stimulus file's identity and checks that the file holds the sound that the
// identity describes.
func IdentityOf(r *wave.Reader) (stimulus.Marked, error) {
	for _, chunk := range r.Chunks() {
		if chunk.ID != stimulus.ChunkID {
			continue
		}
		m, err := stimulus.ParseIdentity(string(chunk.Data))
		if err == nil {
			err = checkStimulus(m, r)
		}
		if err != nil {
			return stimulus.Marked{}, fmt.Errorf("%s: %w", r.Name(), err)
		}
		return m, nil
	}
	return stimulus.Marked{}, fmt.Errorf("%s is no stimulus: it has no chunk %q, which states what was played; accepted: a file as boothbench tone wrote it, with its marks (--bare leaves them out; --bare=false puts them in). An editor that saves the file again may lose the chunk: name the file that was played", r.Name(), stimulus.ChunkID)
}

// IsStimulus reports whether a file is as boothbench tone wrote it, with its identity.
func IsStimulus(r *wave.Reader) bool {
	_, err := IdentityOf(r)
	return err == nil
}

// checkStimulus compares a stimulus file with the sound that its identity makes. Dither and
// rounding may change integer samples by two steps.
func checkStimulus(m stimulus.Marked, r *wave.Reader) error {
	made, err := m.Parts()
	if err != nil {
		return err
	}
	f, frames := r.Format(), int64(made.Layout.Frames)
	if f.Rate != m.Rate || f.Channels != made.Channels() || r.Frames() != frames {
		return fmt.Errorf("found %s of %d frames at %d Hz; its identity states %d of %d at %d Hz: the file was changed", dsp.Plural(f.Channels, "channel"), r.Frames(), f.Rate, made.Channels(), frames, m.Rate)
	}
	tolerance := 1e-6
	if f.Encoding == wave.Integer {
		tolerance = 2 / float64(int64(1)<<(f.Bits-1))
	}
	want := dsp.NewBlock(f.Channels, eachBlock)
	return eachOf(r, func(from int, b dsp.Block) error {
		made.Fill(planes.Before(want, b.Frames()), from)
		for c := range b {
			for n, v := range b[c] {
				if d := v - want[c][n]; d > tolerance || d < -tolerance {
					return fmt.Errorf("frame %d of channel %d is %g, its identity makes it %g: the file was changed", from+n, c+1, v, want[c][n])
				}
			}
		}
		return nil
	})
}

// AlignFiles aligns a recording with the stimulus file that was played. The caller closes the
// alignment, which keeps the sound of many channels in a temporary file.
func AlignFiles(played, recording *wave.Reader) (*Alignment, error) {
	m, err := IdentityOf(played)
	if err != nil {
		return nil, err
	}
	f := recording.Format()
	r := recorded{rate: f.Rate}
	if f.Encoding == wave.Integer {
		r.bits = f.Bits
	}
	sound, err := storeAll(recording)
	if err != nil {
		return nil, err
	}
	defer sound.Close()
	r.sound = sound
	aligned := wave.NewStored(wave.Unquantised(f.Rate, f.Channels))
	a, err := align(m, r, aligned.Append)
	if err != nil {
		aligned.Close()
		return nil, fmt.Errorf("%s: %w (the stimulus is %s)", recording.Name(), err, played.Name())
	}
	a.Sound = aligned
	return a, nil
}

// storeAll reads a file's sound from its start. The caller closes it.
func storeAll(r *wave.Reader) (*wave.Stored, error) {
	sound := wave.NewStored(wave.Unquantised(r.Format().Rate, r.Format().Channels))
	if err := eachOf(r, func(_ int, b dsp.Block) error { return sound.Write(b) }); err != nil {
		sound.Close()
		return nil, err
	}
	return sound, nil
}

// eachBlock is the number of frames that are read from a file at once.
const eachBlock = 4096

// eachOf reads a file from its start, block by block.
func eachOf(r *wave.Reader, read func(from int, b dsp.Block) error) error {
	if err := r.SeekFrame(0); err != nil {
		return err
	}
	b := dsp.NewBlock(r.Format().Channels, eachBlock)
	for from := 0; ; {
		n, err := r.Read(b)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if err := read(from, planes.Before(b, n)); err != nil {
			return err
		}
		from += n
	}
}
