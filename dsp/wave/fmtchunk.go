package wave

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"github.com/go-audio/riff"

	"github.com/boothbench/boothbench/dsp"
)

// Format tags and the rest of the sub-format identifiers (Microsoft, "Multiple
// channel audio data and WAVE files").
const (
	tagPCM        = 0x0001
	tagFloat      = 0x0003
	tagExtensible = 0xFFFE

	subFormatTail = "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"
)

// fmtChunk reads the format. Only the first 40 bytes of the chunk count, so no
// more are read.
func (p *parser) fmtChunk(body, there int64) error {
	if there < 16 {
		return p.refuse("fmt ", body-8, fmt.Sprintf("%d bytes", there), "16, 18 or 40 bytes", adviceDamaged)
	}
	b, err := p.bytesAt(body, min(there, 40))
	if err != nil {
		return err
	}
	var h riff.Parser
	if err := (&riff.Chunk{ID: riff.FmtID, Size: 16, R: bytes.NewReader(b)}).DecodeWavHeader(&h); err != nil {
		return err
	}
	tag, channels, align, bits := h.WavAudioFormat, int(h.NumChannels), int(h.BlockAlign), int(h.BitsPerSample)
	valid, mask := bits, uint32(0)
	if tag == tagExtensible {
		if len(b) < 40 {
			return p.refuse("fmt ", body-8, fmt.Sprintf("WAVE_FORMAT_EXTENSIBLE in %d bytes", there), "40 bytes", adviceDamaged)
		}
		if string(b[26:40]) != subFormatTail {
			return p.refuse("fmt ", body+24, fmt.Sprintf("sub-format % x", b[24:40]), acceptedCodings, adviceDecode)
		}
		tag = binary.LittleEndian.Uint16(b[24:])
		mask = binary.LittleEndian.Uint32(b[20:])
		// 0 is seen in files, for "all"; of floating point all bits count.
		if v := int(binary.LittleEndian.Uint16(b[18:])); v != 0 && tag != tagFloat {
			valid = v
		}
	}
	if name := foreignCoding(tag); name != "" {
		return p.refuse("fmt ", body, name, acceptedCodings, adviceDecode)
	}
	switch {
	case channels < 1 || channels > dsp.MaxChannels:
		return p.refuse("fmt ", body+2, fmt.Sprintf("%d channels", channels), fmt.Sprintf("1 to %d", dsp.MaxChannels), adviceExport)
	case h.SampleRate < minRate || h.SampleRate > maxRate:
		return p.refuse("fmt ", body+4, fmt.Sprintf("a sample rate of %d Hz", h.SampleRate), fmt.Sprintf("%d to %d Hz", minRate, maxRate), adviceExport)
	case align == 0 || align%channels != 0:
		return p.refuse("fmt ", body+12, fmt.Sprintf("%d bytes a frame for %d channels", align, channels), "the same whole number of bytes for every sample", adviceExport)
	}
	f := Format{Rate: int(h.SampleRate), Channels: channels, Bits: valid, ContainerBits: align / channels * 8, ChannelMask: mask}
	if tag == tagFloat {
		f.Encoding = Float
	}
	if bits > f.ContainerBits || f.Check() != nil {
		found := fmt.Sprintf("%d-bit %v in %d bytes a sample", valid, f.Encoding, align/channels)
		if valid != bits {
			found += fmt.Sprintf(", of %d bits", bits)
		}
		return p.refuse("fmt ", body+14, found, acceptedCodings, adviceExport)
	}
	p.format, p.haveFormat = f, true
	return nil
}

// appendFormat appends the body of a fmt chunk: plain PCM or IEEE floating
// point where that says everything, else WAVE_FORMAT_EXTENSIBLE.
func appendFormat(b []byte, f Format) []byte {
	le := binary.LittleEndian
	tag := uint16(tagPCM)
	if f.Encoding == Float {
		tag = tagFloat
	}
	extensible := f.Channels > 2 || f.ChannelMask != 0 || f.Bits != 8*f.container()
	if extensible {
		b = le.AppendUint16(b, tagExtensible)
	} else {
		b = le.AppendUint16(b, tag)
	}
	b = le.AppendUint16(b, uint16(f.Channels))
	b = le.AppendUint32(b, uint32(f.Rate))
	b = le.AppendUint32(b, uint32(min(int64(f.Rate)*int64(f.frameBytes()), 0xFFFFFFFF)))
	b = le.AppendUint16(b, uint16(f.frameBytes()))
	b = le.AppendUint16(b, uint16(8*f.container()))
	switch {
	case extensible:
		b = le.AppendUint16(b, 22)
		b = le.AppendUint16(b, uint16(f.Bits))
		b = le.AppendUint32(b, f.ChannelMask)
		b = le.AppendUint16(b, tag)
		b = append(b, subFormatTail...)
	case tag != tagPCM:
		b = le.AppendUint16(b, 0) // no extension
	}
	return b
}
