package tune

import (
	"bytes"
	"compress/flate"
	"crypto/sha256"
	"encoding/gob"
	"errors"
	"fmt"
	"io"

	"github.com/boothbench/boothbench/measure"
)

// storedMark begins every stored analysis. Its number increases when the content changes.
const storedMark = "boothbench analysis 1\n"

// stored is the stored form of an analysis.
type stored struct {
	RateHz, Channels int
	Frames           int64
	Mono             measure.MonoPolicy
	Ahead            measure.Readings
	Profile          measure.LoudnessProfile
	Head             string
	Paths            []pathData
}

// MarshalBinary returns the analysis, compressed, with its digest.
func (a *Analysis) MarshalBinary() ([]byte, error) {
	var content bytes.Buffer
	packed, err := flate.NewWriter(&content, flate.BestSpeed)
	if err != nil {
		return nil, err
	}
	if err := gob.NewEncoder(packed).Encode(stored{a.RateHz, a.Channels, a.Frames, a.Mono, a.Ahead, a.Profile, a.head, a.paths}); err != nil {
		return nil, err
	}
	if err := packed.Close(); err != nil {
		return nil, err
	}
	sum := sha256.Sum256(content.Bytes())
	return append(append([]byte(storedMark), sum[:]...), content.Bytes()...), nil
}

// UnmarshalBinary reads the form that MarshalBinary wrote. Anything else, and damaged or
// truncated data, is an error; the take must then be analysed again.
func (a *Analysis) UnmarshalBinary(data []byte) error {
	content, ok := bytes.CutPrefix(data, []byte(storedMark))
	if !ok || len(content) < sha256.Size {
		return errors.New("found no analysis of this version; analyse the take again")
	}
	sum, content := content[:sha256.Size], content[sha256.Size:]
	if is := sha256.Sum256(content); !bytes.Equal(is[:], sum) {
		return errors.New("found a damaged analysis; analyse the take again")
	}
	var s stored
	unpacked := flate.NewReader(bytes.NewReader(content))
	if err := gob.NewDecoder(unpacked).Decode(&s); err != nil && !errors.Is(err, io.EOF) {
		return fmt.Errorf("found an analysis that cannot be read (%w); analyse the take again", err)
	}
	*a = Analysis{RateHz: s.RateHz, Channels: s.Channels, Frames: s.Frames, Mono: s.Mono, Ahead: s.Ahead, Profile: s.Profile, head: s.Head, paths: s.Paths}
	return nil
}
