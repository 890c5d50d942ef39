package instrument

import (
	"fmt"
	"io"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// IdentityOf reads a stimulus file's identity and checks that the file holds the
// sound that its identity describes.
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

// checkStimulus compares a stimulus file with what its identity makes: two steps
// of its integers are dither and rounding.
func checkStimulus(m stimulus.Marked, r *wave.Reader) error {
	made, _, err := m.Make()
	if err != nil {
		return err
	}
	sound, err := readAll(r)
	if err != nil {
		return err
	}
	if r.Format().Rate != m.Rate || len(sound) != len(made) || sound.Frames() != made.Frames() {
		return fmt.Errorf("found %s of %d frames at %d Hz; its identity states %d of %d at %d Hz: the file was changed", dsp.Plural(len(sound), "channel"), sound.Frames(), r.Format().Rate, len(made), made.Frames(), m.Rate)
	}
	tolerance := 1e-6
	if f := r.Format(); f.Encoding == wave.Integer {
		tolerance = 2 / float64(int64(1)<<(f.Bits-1))
	}
	for c := range made {
		for n, want := range made[c] {
			if d := sound[c][n] - want; d > tolerance || d < -tolerance {
				return fmt.Errorf("frame %d of channel %d is %g, its identity makes it %g: the file was changed", n, c+1, sound[c][n], want)
			}
		}
	}
	return nil
}

// AlignFiles aligns a recording with the stimulus file that was played.
func AlignFiles(played, recording *wave.Reader) (*Alignment, error) {
	m, err := IdentityOf(played)
	if err != nil {
		return nil, err
	}
	sound, err := readAll(recording)
	if err != nil {
		return nil, err
	}
	f := recording.Format()
	r := Recording{Sound: sound, Rate: f.Rate}
	if f.Encoding == wave.Integer {
		r.Bits = f.Bits
	}
	a, err := Align(m, r)
	if err != nil {
		return nil, fmt.Errorf("%s: %w (the stimulus is %s)", recording.Name(), err, played.Name())
	}
	return a, nil
}

// readAll reads a file's sound from its start.
func readAll(r *wave.Reader) (dsp.Block, error) {
	if err := r.SeekFrame(0); err != nil {
		return nil, err
	}
	b := dsp.NewBlock(r.Format().Channels, int(r.Frames()))
	n, err := r.Read(b)
	if err != nil && err != io.EOF {
		return nil, err
	}
	for c := range b {
		b[c] = b[c][:n]
	}
	return b, nil
}
