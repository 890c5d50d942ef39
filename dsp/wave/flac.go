package wave

import (
	"bufio"
	"bytes"
	"crypto/md5"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io"
	"strings"

	"github.com/mewkiz/flac/frame"

	"github.com/boothbench/boothbench/dsp"
)

const flacSignature = "fLaC"

// flacReader reads the sound of a FLAC file (RFC 9639), frame by frame. The checksums
// of every frame, and the MD5 of the whole sound where the file states one, have to
// hold.
type flacReader struct {
	path   string
	file   io.ReadSeeker // nil: a stream, which cannot go back
	in     *countedReader
	format Format
	frames int64 // 0: not stated
	stated [md5.Size]byte

	planes []*frame.Subframe // of the current FLAC frame
	used   int               // frames of it that have been read
	at     int64             // frames read so far
	index  []flacPlace       // where FLAC frames begin, about one a second
	sum    hash.Hash         // of the sound, while it is read from its beginning; else nil
	bytes  []byte
	scale  float64
}

// flacPlace is where a FLAC frame begins.
type flacPlace struct{ frame, offset int64 }

// countedReader counts the bytes read through it.
type countedReader struct {
	*bufio.Reader
	at int64
}

func (c *countedReader) Read(b []byte) (int, error) {
	n, err := c.Reader.Read(b)
	c.at += int64(n)
	return n, err
}

func (f *flacReader) refuse(found, accepted, advice string) error {
	return &FormatError{f.path, "", f.in.at, found, accepted, advice}
}

// newFLAC reads a FLAC file up to its first frame.
func newFLAC(r io.Reader, path string) (*flacReader, []Warning, error) {
	f := &flacReader{path: path, in: &countedReader{Reader: bufio.NewReaderSize(r, bufferBytes)}, sum: md5.New()}
	f.file, _ = r.(io.ReadSeeker)
	warnings, err := f.metadata()
	if err != nil {
		return nil, nil, err
	}
	f.index = []flacPlace{{0, f.in.at}}
	f.scale = 1 / float64(int64(1)<<(f.format.Bits-1))
	return f, warnings, nil
}

// metadata reads the blocks ahead of the sound (RFC 9639, section 8).
func (f *flacReader) metadata() (warnings []Warning, err error) {
	const acceptedFLAC = "a FLAC file with a stream information block and whole frames (RFC 9639)"
	head := make([]byte, 4)
	if _, err := io.ReadFull(f.in, head); err != nil || string(head) != flacSignature {
		return nil, f.refuse("no FLAC signature", acceptedFLAC, adviceDamaged)
	}
	kinds := map[byte]string{2: "application data", 4: "comments", 5: "a cue sheet", 6: "a picture"}
	for n := 0; ; n++ {
		if _, err := io.ReadFull(f.in, head); err != nil {
			return nil, f.refuse("a file that ends in its metadata", acceptedFLAC, adviceDamaged)
		}
		kind, last := head[0]&0x7f, head[0]&0x80 != 0
		length := int(binary.BigEndian.Uint32(head) & 0xFFFFFF)
		switch {
		case n == 0 && (kind != 0 || length != 34):
			return nil, f.refuse(fmt.Sprintf("a first metadata block of type %d with %d bytes", kind, length), acceptedFLAC, adviceDamaged)
		case n == 0:
			if err := f.streamInfo(); err != nil {
				return nil, err
			}
			length = 0
		case kind == 4: // every encoder leaves its own name in one
			if tags, err := f.comments(length); err != nil || tags == 0 {
				break
			}
			fallthrough
		case kinds[kind] != "" && len(warnings) < maxWarnings:
			warnings = append(warnings, Warning{Path: f.path, Offset: f.in.at, Found: "FLAC metadata: " + kinds[kind], Done: "not carried over"})
		}
		if kind == 4 {
			length = 0
		}
		if _, err := io.CopyN(io.Discard, f.in, int64(length)); err != nil {
			return nil, f.refuse("a file that ends in its metadata", acceptedFLAC, adviceDamaged)
		}
		if last {
			return warnings, nil
		}
	}
}

// comments skips a comment block and returns the number of its tags.
func (f *flacReader) comments(length int) (tags uint32, err error) {
	body := io.LimitReader(f.in, int64(length))
	defer io.Copy(io.Discard, body)
	var n uint32
	if err := binary.Read(body, binary.LittleEndian, &n); err != nil {
		return 0, err
	}
	if _, err := io.CopyN(io.Discard, body, int64(n)); err != nil {
		return 0, err
	}
	err = binary.Read(body, binary.LittleEndian, &tags)
	return tags, err
}

// streamInfo reads the properties of the whole sound (RFC 9639, section 8.2).
func (f *flacReader) streamInfo() error {
	b := make([]byte, 34)
	if _, err := io.ReadFull(f.in, b); err != nil {
		return f.refuse("a file that ends in its metadata", "a FLAC file", adviceDamaged)
	}
	packed := binary.BigEndian.Uint64(b[10:]) // 20 bits, 3, 5, 36
	f.format = Format{
		Rate: int(packed >> 44), Channels: int(packed>>41&7) + 1,
		Encoding: Integer, Bits: int(packed>>36&31) + 1,
	}
	f.frames = int64(packed & (1<<36 - 1))
	copy(f.stated[:], b[18:])
	switch {
	case f.format.Rate < 1:
		return f.refuse("a sample rate of 0 Hz", "1 Hz and more", adviceDamaged)
	case f.format.Bits < 8 || f.format.Bits > 24: // what the library decodes
		return f.refuse(fmt.Sprintf("FLAC with %d-bit samples", f.format.Bits), "8 to 24 bits", "decode it to a WAV file first")
	}
	return nil
}

// read fills b, or its first part at the end of the sound.
func (f *flacReader) read(b dsp.Block) (int, error) {
	done := 0
	for want := b.Frames(); done < want; {
		if f.left() == 0 {
			if err := f.next(); err == io.EOF && done > 0 {
				break
			} else if err != nil {
				return done, err
			}
			continue
		}
		n := min(want-done, f.left())
		for c := range b {
			from := f.planes[c].Samples[f.used : f.used+n]
			for i, x := range from {
				b[c][done+i] = float64(x) * f.scale
			}
		}
		f.used += n
		done += n
		f.at += int64(n)
	}
	return done, nil
}

// left is the number of frames not yet read of the current FLAC frame.
func (f *flacReader) left() int {
	if len(f.planes) == 0 {
		return 0
	}
	return len(f.planes[0].Samples) - f.used
}

// next decodes the next FLAC frame.
func (f *flacReader) next() error {
	start := f.in.at
	decoded, err := f.parse()
	switch {
	case err == io.EOF:
		return f.end()
	case errors.Is(err, io.ErrUnexpectedEOF):
		return f.refuse(fmt.Sprintf("a FLAC file that ends within a frame, after %d of %d frames of sound", f.at, f.frames), "whole files", adviceDamaged)
	case err != nil:
		f.in.at = start
		return f.refuse(fmt.Sprintf("a damaged FLAC frame after %s of sound (%s)", dsp.Plural(f.at, "frame"), withoutSource(err)), "frames whose checksums hold", adviceDamaged)
	}
	if place := f.index[len(f.index)-1]; f.at >= place.frame+int64(f.format.Rate) {
		f.index = append(f.index, flacPlace{f.at, start})
	}
	f.planes, f.used = decoded.Subframes, 0
	f.digest()
	return nil
}

// withoutSource returns an error of the library without the names of its
// functions.
func withoutSource(err error) string {
	text := err.Error()
	return strings.TrimSpace(text[strings.LastIndex(text, ":")+1:])
}

// parse decodes a FLAC frame and checks that it has the file's format.
func (f *flacReader) parse() (decoded *frame.Frame, err error) {
	defer func() {
		if fault := recover(); fault != nil { // of the library, on data that no encoder writes
			err = fmt.Errorf("%v", fault)
		}
	}()
	if decoded, err = frame.Parse(f.in); err != nil {
		return nil, err
	}
	if bits := int(decoded.BitsPerSample); bits != 0 && bits != f.format.Bits {
		return nil, fmt.Errorf("%d-bit samples in a file of %d bits", bits, f.format.Bits)
	}
	if rate := int(decoded.SampleRate); rate != 0 && rate != f.format.Rate {
		return nil, fmt.Errorf("%d Hz in a file of %d Hz", rate, f.format.Rate)
	}
	if len(decoded.Subframes) != f.format.Channels {
		return nil, fmt.Errorf("%d channels in a file of %d", len(decoded.Subframes), f.format.Channels)
	}
	for _, s := range decoded.Subframes {
		if len(s.Samples) != int(decoded.BlockSize) || len(s.Samples) == 0 {
			return nil, fmt.Errorf("%d samples in a frame of %d", len(s.Samples), decoded.BlockSize)
		}
	}
	return decoded, nil
}

// digest adds the current frame to the sum of the sound: signed little-endian samples
// in whole bytes (RFC 9639, section 8.2).
func (f *flacReader) digest() {
	if f.sum == nil {
		return
	}
	f.bytes = f.bytes[:0]
	size := (f.format.Bits + 7) / 8
	for n := range f.planes[0].Samples {
		for _, s := range f.planes {
			x := uint32(s.Samples[n])
			for range size {
				f.bytes = append(f.bytes, byte(x))
				x >>= 8
			}
		}
	}
	f.sum.Write(f.bytes)
}

// end checks the whole sound.
func (f *flacReader) end() error {
	if f.frames != 0 && f.at != f.frames {
		return f.refuse(fmt.Sprintf("a FLAC file of %s that states %d", dsp.Plural(f.at, "frame"), f.frames), "whole files", adviceDamaged)
	}
	if f.sum != nil && f.stated != [md5.Size]byte{} && !bytes.Equal(f.sum.Sum(nil), f.stated[:]) {
		return f.refuse("sound whose MD5 is not the one that the file states", "the sound as it was encoded", adviceDamaged)
	}
	return io.EOF
}

// count is the number of frames of a file that does not state it.
func (f *flacReader) count() (int64, error) {
	for {
		if err := f.next(); err == io.EOF {
			break
		} else if err != nil {
			return 0, err
		}
		f.used = len(f.planes[0].Samples)
		f.at += int64(f.used)
	}
	frames := f.at
	return frames, f.seek(0)
}

// seek makes the next read begin at a frame.
func (f *flacReader) seek(to int64) error {
	if to == f.at {
		return nil
	}
	f.sum = nil
	if to < f.at {
		if f.file == nil {
			return fmt.Errorf("%s: a stream cannot go back", f.path)
		}
		place := f.index[0]
		for _, p := range f.index {
			if p.frame <= to {
				place = p
			}
		}
		if _, err := f.file.Seek(place.offset, io.SeekStart); err != nil {
			return err
		}
		f.in.Reset(f.file)
		f.in.at, f.at, f.planes = place.offset, place.frame, nil
		if place.frame == 0 {
			f.sum = md5.New()
		}
	}
	for f.at < to {
		if f.left() == 0 {
			if err := f.next(); err != nil {
				return err
			}
		}
		n := min(int64(f.left()), to-f.at)
		f.used += int(n)
		f.at += n
	}
	if to != 0 {
		f.sum = nil
	}
	return nil
}
