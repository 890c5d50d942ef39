package wave

import (
	"encoding/binary"
	"fmt"
	"io"
	"unicode/utf8"

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

// What this package accepts, for error messages.
const acceptedCodings = "integer PCM of 8 to 32 bits or IEEE floating point of 32 or 64 bits"

const unknownSize = 0xFFFFFFFF // also "see ds64" in RF64 and BW64

// header is what the chunks of a file say.
type header struct {
	format     Format
	dataOffset int64
	dataBytes  int64 // whole frames
	chunks     []Chunk
	warnings   []Warning
	carried    int64
	haveFormat bool
	haveData   bool
	declared   int64            // the data size that the file states, −1: none
	sizes64    map[string]int64 // from ds64: the sizes of long chunks
}

// parser walks the chunks of a file.
type parser struct {
	r    io.ReaderAt
	size int64
	path string
	header
}

func (p *parser) refuse(chunk string, offset int64, found, accepted string, args ...any) error {
	return &FormatError{p.path, chunk, offset, found, fmt.Sprintf(accepted, args...)}
}

func (p *parser) warn(offset int64, found, done string) {
	p.warnings = append(p.warnings, Warning{p.path, offset, found, done})
}

// bytesAt reads n bytes that are known to lie within the file.
func (p *parser) bytesAt(offset, n int64) ([]byte, error) {
	b := make([]byte, n)
	if _, err := p.r.ReadAt(b, offset); err != nil && err != io.EOF {
		return nil, fmt.Errorf("%s: reading at byte %d: %w", p.path, offset, err)
	}
	return b, nil
}

func (p *parser) parse() error {
	id, err := p.riffID()
	if err != nil {
		return err
	}
	offset := int64(12)
	for p.size-offset >= 8 {
		head, err := p.bytesAt(offset, 8)
		if err != nil {
			return err
		}
		name := string(head[:4])
		size := int64(binary.LittleEndian.Uint32(head[4:]))
		body := offset + 8
		if size == unknownSize && id != "RIFF" {
			if long, ok := p.sizes64[name]; ok {
				size = long
			}
		}
		if name == "data" && !p.haveData {
			if err := p.data(body, size); err != nil {
				return err
			}
			if p.declared < 0 {
				break // whatever follows is the sound
			}
			size = p.declared
		} else if err := p.chunk(name, body, min(size, p.size-body), size); err != nil {
			return err
		}
		if size > p.size-body {
			break
		}
		offset = body + size + size&1
	}
	if !p.haveFormat {
		return p.refuse("", p.size, "no fmt chunk", "a WAV file with a fmt and a data chunk")
	}
	if !p.haveData {
		return p.refuse("", p.size, "no data chunk", "a WAV file with a fmt and a data chunk")
	}
	return p.settle()
}

// riffID checks the first twelve bytes, and names what else a file may be.
func (p *parser) riffID() (string, error) {
	if p.size == 0 {
		return "", p.refuse("", 0, "an empty file", "a WAV file")
	}
	start, err := p.bytesAt(0, min(12, p.size))
	if err != nil {
		return "", err
	}
	if len(start) == 12 && string(start[8:]) == "WAVE" {
		switch id := string(start[:4]); id {
		case "RIFF", "RF64", "BW64":
			return id, nil
		case "RIFX":
			return "", p.refuse("", 0, "RIFX, a WAV of big-endian numbers", "RIFF, RF64 or BW64; convert it")
		}
	}
	return "", p.refuse("", 0, guess(start), "a WAV file (RIFF, RF64 or BW64)")
}

// guess names what a file that is no WAV seems to be.
func guess(start []byte) string {
	for _, known := range []struct{ magic, name string }{
		{"fLaC", "a FLAC file"}, {"OggS", "an Ogg file"}, {"FORM", "an AIFF file"}, {"ID3", "an MPEG audio file"},
		{"\xff\xfb", "an MPEG audio file"}, {"\xff\xf3", "an MPEG audio file"}, {"caff", "a CAF file"},
		{"riff\x2e\x91", "a Wave64 file"}, {"RIFF", "a RIFF file that is not WAVE"},
	} {
		if len(start) >= len(known.magic) && string(start[:len(known.magic)]) == known.magic {
			return known.name
		}
	}
	if len(start) >= 8 && string(start[4:8]) == "ftyp" {
		return "an MPEG-4 file"
	}
	if utf8.Valid(start[:len(start)/4*4]) && start[0] >= ' ' {
		return fmt.Sprintf("text (%q…)", start)
	}
	return fmt.Sprintf("bytes % x…", start[:min(4, len(start))])
}

// chunk handles a chunk other than the first data chunk; there says how many
// of its declared bytes the file holds.
func (p *parser) chunk(name string, body, there, declared int64) error {
	switch name {
	case "fmt ":
		if p.haveFormat {
			p.warn(body-8, "a second fmt chunk", "the first one counts")
			return nil
		}
		return p.fmtChunk(body, there)
	case "ds64":
		return p.ds64(body, there)
	case "data":
		p.warn(body-8, "a second data chunk", "only the first one is read")
		return nil
	case "JUNK", "junk", "FLLR", "PAD ", "fact", "PEAK":
		return nil // space, or what the writer states afresh
	}
	if there < declared {
		p.warn(body-8, fmt.Sprintf("chunk %q states %d bytes, the file holds %d of them", name, declared, there), "not carried over")
		return nil
	}
	if p.carried+there > maxCarried {
		p.warn(body-8, fmt.Sprintf("chunk %q of %d bytes", name, there), fmt.Sprintf("not carried over: more than %d MiB of such chunks", maxCarried>>20))
		return nil
	}
	data, err := p.bytesAt(body, there)
	if err != nil {
		return err
	}
	p.carried += there
	p.chunks = append(p.chunks, Chunk{ID: name, Data: data, After: p.haveData})
	return nil
}

func (p *parser) fmtChunk(body, there int64) error {
	if there < 16 {
		return p.refuse("fmt ", body-8, fmt.Sprintf("%d bytes", there), "16, 18 or 40 bytes")
	}
	b, err := p.bytesAt(body, min(there, 40))
	if err != nil {
		return err
	}
	u16 := func(at int) int { return int(binary.LittleEndian.Uint16(b[at:])) }
	tag, channels, align, bits := u16(0), u16(2), u16(12), u16(14)
	rate := binary.LittleEndian.Uint32(b[4:])
	valid := bits
	var mask uint32
	if tag == tagExtensible {
		if len(b) < 40 {
			return p.refuse("fmt ", body-8, fmt.Sprintf("WAVE_FORMAT_EXTENSIBLE in %d bytes", there), "40 bytes")
		}
		if string(b[26:40]) != subFormatTail {
			return p.refuse("fmt ", body+24, fmt.Sprintf("sub-format % x", b[24:40]), acceptedCodings)
		}
		tag = u16(24)
		mask = binary.LittleEndian.Uint32(b[20:])
		if v := u16(18); v != 0 { // 0 is seen in files, for "all"
			valid = v
		}
	}
	if name := codingName(tag); name != "" {
		return p.refuse("fmt ", body, name, acceptedCodings)
	}
	switch {
	case channels < 1 || channels > dsp.MaxChannels:
		return p.refuse("fmt ", body+2, fmt.Sprintf("%d channels", channels), "1 to %d", dsp.MaxChannels)
	case rate < 1 || rate > maxRate:
		return p.refuse("fmt ", body+4, fmt.Sprintf("a sample rate of %d Hz", rate), "1 to %d Hz", maxRate)
	case align == 0 || align%channels != 0:
		return p.refuse("fmt ", body+12, fmt.Sprintf("%d bytes a frame for %d channels", align, channels), "a whole number of bytes a sample")
	}
	f := Format{Rate: int(rate), Channels: channels, Bits: valid, ContainerBits: align / channels * 8, ChannelMask: mask}
	if tag == tagFloat {
		f.Encoding = Float
	}
	if bits > f.ContainerBits || f.check() != nil {
		return p.refuse("fmt ", body+14, fmt.Sprintf("%d-bit %v (%d bits count) in %d bytes a sample", bits, f.Encoding, valid, align/channels), acceptedCodings)
	}
	p.format, p.haveFormat = f, true
	return nil
}

// codingName names a format tag that cannot be read, "" for one that can.
func codingName(tag int) string {
	switch tag {
	case tagPCM, tagFloat:
		return ""
	case 0x0002, 0x0011:
		return "ADPCM coding"
	case 0x0006:
		return "A-law coding"
	case 0x0007:
		return "mu-law coding"
	case 0x0050, 0x0055:
		return "MPEG audio coding"
	}
	return fmt.Sprintf("coding 0x%04x", tag)
}

// ds64 reads the 64-bit sizes of RF64 and BW64.
func (p *parser) ds64(body, there int64) error {
	if there < 28 {
		return p.refuse("ds64", body-8, fmt.Sprintf("%d bytes", there), "28 bytes or more")
	}
	b, err := p.bytesAt(body, min(there, 28+12*64))
	if err != nil {
		return err
	}
	long := func(at int) int64 { return int64(min(binary.LittleEndian.Uint64(b[at:]), 1<<62)) }
	p.sizes64 = map[string]int64{"data": long(8)}
	for at := 28; at+12 <= len(b) && (at-28)/12 < int(binary.LittleEndian.Uint32(b[24:])); at += 12 {
		p.sizes64[string(b[at:at+4])] = long(at + 4)
	}
	return nil
}

// data notes where the sound lies. What it states may be wrong: a recorder that
// was cut off leaves 0 or 0xFFFFFFFF.
func (p *parser) data(body, size int64) error {
	if !p.haveFormat {
		return p.refuse("data", body-8, "data ahead of the fmt chunk", "the fmt chunk first (the RIFF/WAVE order)")
	}
	p.haveData, p.dataOffset, p.declared = true, body, size
	left := p.size - body
	switch {
	case size == unknownSize && left < size, size == 0 && left > 0 && !p.chunkFollows(body):
		p.declared = -1
		p.dataBytes = left
		p.warn(body-8, "an unfinished recording: the header does not state how long it is", "read to the end of the file")
	case size > left:
		p.dataBytes = left
		missing := float64(size-left) / float64(p.format.frameBytes()) / float64(p.format.Rate)
		p.warn(body-8, fmt.Sprintf("a truncated file: %d of %d bytes of sound, %.3f s missing", left, size, missing), "read what is there")
	default:
		p.dataBytes = size
	}
	return nil
}

// chunkFollows tells whether what follows an empty data chunk looks like
// another chunk that fits the file, and not like sound.
func (p *parser) chunkFollows(offset int64) bool {
	if p.size-offset < 8 {
		return false
	}
	head, err := p.bytesAt(offset, 8)
	if err != nil {
		return false
	}
	for _, c := range head[:4] {
		if c < ' ' || c > '~' {
			return false
		}
	}
	return int64(binary.LittleEndian.Uint32(head[4:])) <= p.size-offset-8
}

// settle cuts the data to whole frames.
func (p *parser) settle() error {
	frame := int64(p.format.frameBytes())
	if part := p.dataBytes % frame; part != 0 {
		p.dataBytes -= part
		p.warn(p.dataOffset+p.dataBytes, fmt.Sprintf("the last frame has %d of %d bytes", part, frame), "left out")
	}
	return nil
}
