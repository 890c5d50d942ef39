package stimulus

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"strconv"
	"strings"
)

// Marked is a signal as it is played and recorded: between marks, with a code
// by which its recording is recognised.
type Marked struct {
	Signal Signal
	Rate   int // Hz
	// Condition distinguishes stimuli of one signal that are played under different
	// conditions, such as two gains of a device; 0: none, and not in the identity.
	Condition uint32
	// MarkDBFS is the peak level of the marks and the code, LeastMarkDBFS to MostMarkDBFS. 0:
	// the marks follow the signal's level, and the identity does not state it.
	MarkDBFS float64
}

// ChunkID names the chunk of a WAV file that holds the identity.
const ChunkID = "bbst"

// schema is the version of the signals. It is increased when a kind's samples or the marks
// change, so that a recording of an old signal is not taken for one of the new.
const schema = 2

// Identity is all that the sound depends on, in one line:
//
//	boothbench-stimulus schema=2 rate_hz=48000 kind=sweep from_hz=5 to_hz=22000 …
func (m Marked) Identity() string {
	options := ""
	if m.Condition != 0 {
		options = fmt.Sprintf("%s%08x ", conditionWord, m.Condition)
	}
	if m.MarkDBFS != 0 {
		options += fmt.Sprintf("%s%g ", markWord, m.MarkDBFS)
	}
	return fmt.Sprintf("%s schema=%d rate_hz=%d %s%s", identityWord, schema, m.Rate, options, Describe(m.Signal))
}

const (
	identityWord  = "boothbench-stimulus"
	conditionWord = "condition="
	markWord      = "mark_dbfs="
)

// ParseIdentity makes the stimulus that an identity describes.
func ParseIdentity(line string) (Marked, error) {
	refuse := func(found, accepted string) (Marked, error) {
		return Marked{}, fmt.Errorf("stimulus identity %q: found %s, accepted: %s", line, found, accepted)
	}
	words := strings.Fields(line)
	if len(words) < 4 || words[0] != identityWord {
		return refuse("no identity", fmt.Sprintf("%q, schema, rate_hz, kind, settings", identityWord))
	}
	if words[1] != fmt.Sprintf("schema=%d", schema) {
		return refuse(words[1], fmt.Sprintf("schema=%d: make the stimulus anew", schema))
	}
	text, isRate := strings.CutPrefix(words[2], "rate_hz=")
	rate, err := strconv.Atoi(text)
	if !isRate || err != nil {
		return refuse(words[2], "rate_hz=48000, or another rate")
	}
	words = words[3:]
	condition := uint64(0)
	if text, has := strings.CutPrefix(words[0], conditionWord); has {
		if condition, err = strconv.ParseUint(text, 16, 32); err != nil || condition == 0 {
			return refuse(words[0], conditionWord+" and eight hexadecimal digits")
		}
		words = words[1:]
	}
	markDBFS := 0.0
	if text, has := strings.CutPrefix(words[0], markWord); has {
		if markDBFS, err = strconv.ParseFloat(text, 64); err != nil || markDBFS == 0 || checkMark(markDBFS) != nil {
			return refuse(words[0], fmt.Sprintf("%s and %g to %g", markWord, LeastMarkDBFS, MostMarkDBFS))
		}
		words = words[1:]
	}
	signal, err := Parse(strings.Join(words, " "))
	if err != nil {
		return refuse(err.Error(), "settings of that kind")
	}
	return Marked{signal, rate, uint32(condition), markDBFS}, nil
}

// Code is the part of the identity that the sound carries: the first 32 bits of its SHA-256.
func (m Marked) Code() uint32 {
	sum := sha256.Sum256([]byte(m.Identity()))
	return binary.BigEndian.Uint32(sum[:])
}

// ChannelCode is the code in one channel, counted from 0. The first channel has the stimulus's
// own code, the others differ, so that a recording shows which channel came back where.
func (m Marked) ChannelCode(channel int) uint32 {
	return m.Code() ^ uint32(channel)*0x9e3779b9 // any odd number gives 64 channels different codes
}
