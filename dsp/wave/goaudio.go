package wave

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/go-audio/audio"
	"github.com/go-audio/wav"

	"github.com/boothbench/boothbench/dsp"
)

const adviceOwn = "open the file itself with wave.Open"

// FromDecoder reads the sound of a new go-audio decoder: integers of 8, 16, 24 and 32 bits,
// and floating point of 32 and 64. The bytes are decoded here, with the same result as Open,
// also for sound of odd length and for a recording that does not state its length. It
// refuses WAVE_FORMAT_EXTENSIBLE at 32 bits and more, whose coding the decoder does not show.
func FromDecoder(d *wav.Decoder) (*Reader, error) {
	refuse := func(found, accepted string) (*Reader, error) {
		return nil, &FormatError{Path: "go-audio decoder", Found: found, Accepted: accepted, Advice: adviceOwn}
	}
	if d == nil || d.WasPCMAccessed() {
		return refuse("a decoder that is nil, or that sound was read from already", "a new decoder")
	}
	if d.ReadInfo(); d.Err() != nil {
		return nil, fmt.Errorf("go-audio decoder: %w", d.Err())
	}
	if err := d.FwdToPCM(); err != nil || d.PCMChunk == nil {
		return refuse("no sound", "a WAV file")
	}
	f := Format{Rate: int(d.SampleRate), Channels: int(d.NumChans), Bits: int(d.BitDepth)}
	switch tag := d.WavAudioFormat; {
	case tag == tagFloat:
		f.Encoding = Float
	case tag == tagExtensible && f.Bits >= 32:
		return refuse(fmt.Sprintf("WAVE_FORMAT_EXTENSIBLE with %d bits, of which it does not say whether they are integers", f.Bits), "at most 24 bits of that kind")
	case tag != tagPCM && tag != tagExtensible:
		return refuse(foreignCoding(tag), acceptedCodings)
	}
	switch {
	case f.Encoding == Integer && f.Bits != 8 && f.Bits != 16 && f.Bits != 24 && f.Bits != 32:
		return refuse(fmt.Sprintf("%d-bit integers", f.Bits), "8, 16, 24 or 32 bits")
	}
	if err := f.Check(); err != nil {
		return nil, err
	}
	size, sound, ok := soundIn(d)
	if !ok || size == 0 {
		return refuse("no sound, or a recording that was not finished", "a file that states its length")
	}
	r := newReader(nil, header{format: f, dataBytes: wholeFrames(size, f)}, endless, "go-audio decoder")
	r.stream = io.LimitReader(sound, r.dataBytes)
	return r, nil
}

// soundIn is the sound of a decoder, and its length: the decoder's own figure counts the
// byte that makes an odd length even, and is 0 where the file states no length.
func soundIn(d *wav.Decoder) (size int64, sound io.Reader, ok bool) {
	limited, ok := d.PCMChunk.R.(*io.LimitedReader)
	if !ok {
		return 0, nil, false
	}
	if _, err := d.Seek(-4, io.SeekCurrent); err != nil {
		return 0, nil, false
	}
	field := make([]byte, 4)
	if _, err := io.ReadFull(limited.R, field); err != nil {
		return 0, nil, false
	}
	if size = int64(binary.LittleEndian.Uint32(field)); size >= openSize {
		size = endless
	}
	return size, limited.R, true
}

// ToEncoder writes sound through a go-audio encoder, rounded and clamped as by a Writer,
// without dither. The caller closes the encoder after the last Write. It refuses what the
// encoder cannot write correctly: other codings than integers, and, in Write, more than
// 4 GiB.
func ToEncoder(e *wav.Encoder) (Sink, error) {
	refuse := func(found, accepted string) (Sink, error) {
		return nil, &FormatError{Path: "go-audio encoder", Found: found, Accepted: accepted, Advice: "write the file with wave.Create"}
	}
	if e == nil {
		return refuse("nil", "an encoder")
	}
	f := Format{Rate: e.SampleRate, Channels: e.NumChans, Encoding: Integer, Bits: e.BitDepth}
	switch {
	case e.WavAudioFormat != tagPCM:
		return refuse(fmt.Sprintf("format tag %d", e.WavAudioFormat), "1: integers; it takes no others")
	case f.Bits != 8 && f.Bits != 16 && f.Bits != 24 && f.Bits != 32:
		return refuse(fmt.Sprintf("%d-bit integers", f.Bits), "8, 16, 24 or 32 bits")
	}
	if err := f.Check(); err != nil {
		return nil, err
	}
	q, err := NewQuantiser(f, NoDither, 0)
	if err != nil {
		return nil, err
	}
	return &encoderSink{encoder: e, format: f, quantiser: q}, nil
}

type encoderSink struct {
	encoder   *wav.Encoder
	format    Format
	quantiser *Quantiser
	rounded   dsp.Block
	buffer    audio.IntBuffer
	bytes     int64
}

// Write appends a block.
func (s *encoderSink) Write(b dsp.Block) error {
	if err := b.Check(s.format.Channels); err != nil {
		return fmt.Errorf("go-audio encoder: %w", err)
	}
	if e := s.encoder; e.SampleRate != s.format.Rate || e.NumChans != s.format.Channels || e.BitDepth != s.format.Bits || e.WavAudioFormat != tagPCM {
		return errors.New("go-audio encoder: its format was changed after ToEncoder; accepted: one format from the beginning to the end")
	}
	frames := b.Frames()
	if frames == 0 {
		return nil
	}
	if s.bytes += int64(frames * s.format.frameBytes()); s.bytes > riffLimit-1<<16 { // header and metadata
		return fmt.Errorf("go-audio encoder: %d bytes of sound; accepted: what a RIFF header can state; write the file with wave.Create", s.bytes)
	}
	if s.rounded.Frames() < frames {
		s.rounded = dsp.NewBlock(s.format.Channels, frames)
	}
	part := make(dsp.Block, len(b))
	for c := range b {
		part[c] = s.rounded[c][:frames]
		copy(part[c], b[c])
	}
	s.quantiser.Round(part)
	full, offset := float64(int64(1)<<(s.format.Bits-1)), 0
	if s.format.Bits == 8 {
		offset = 128 // unsigned in files
	}
	s.buffer.Format = &audio.Format{NumChannels: len(b), SampleRate: s.format.Rate}
	s.buffer.SourceBitDepth = s.format.Bits
	s.buffer.Data = s.buffer.Data[:0]
	for n := range frames {
		for c := range part {
			s.buffer.Data = append(s.buffer.Data, int(min(max(part[c][n]*full, -full), full-1))+offset)
		}
	}
	if err := s.encoder.Write(&s.buffer); err != nil {
		return &OutputError{"go-audio encoder", "write to it", bare(err)}
	}
	return nil
}
