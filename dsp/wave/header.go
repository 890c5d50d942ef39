package wave

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"

	"github.com/go-audio/riff"
)

// header holds the content of a file's chunks.
type header struct {
	format     Format
	dataOffset int64
	dataBytes  int64 // whole frames
	chunks     []Chunk
	warnings   []Warning
}

// parser walks the chunks of a file. What a file states about its sizes is
// bounded by the file's own size before anything is read or allocated, and the
// number of chunks and warnings is bounded as well.
type parser struct {
	r    io.ReaderAt
	size int64
	path string
	// A stream is read once, forward: the walk ends where the sound begins.
	stream bool
	header

	haveFormat, haveData bool
	declared             int64            // size of the data chunk, unstated: the rest of the file
	carried              int64            // bytes in chunks
	sizes64              map[string]int64 // from ds64: the sizes of long chunks; nil in a plain RIFF
}

// Bounds on what a file can make the reader do. Files in use hold some tens of
// chunks (common practice, no source).
const (
	maxChunks   = 4096
	maxWarnings = 32

	unknownSize = 0xFFFFFFFF // a stream's size; in RF64 and BW64: see ds64
	unstated    = -1

	// Programs that do not know a stream's length state openSize or more. (common
	// practice, no source)
	openSize = 0x7FFFF000
)

func (p *parser) refuse(chunk string, offset int64, found, accepted, advice string) error {
	return &FormatError{p.path, chunk, offset, found, accepted, advice}
}

func (p *parser) warn(offset int64, found, done string) {
	p.note(Warning{Offset: offset, Found: found, Done: done})
}

// lose warns that sound is missing.
func (p *parser) lose(offset int64, found, done string) {
	p.note(Warning{Offset: offset, Found: found, Done: done, Lost: true})
}

func (p *parser) note(w Warning) {
	w.Path = p.path
	switch n := len(p.warnings); {
	case n == maxWarnings:
		w.Found, w.Done = "still more oddities", "handled, but not listed"
		fallthrough
	case n < maxWarnings:
		p.warnings = append(p.warnings, w)
	}
}

// bytesAt reads n bytes that are known to lie within the file.
func (p *parser) bytesAt(offset, n int64) ([]byte, error) {
	b := make([]byte, n)
	got, err := p.r.ReadAt(b, offset)
	switch {
	case got == len(b):
		return b, nil
	case err == io.EOF:
		return nil, p.refuse("", offset+int64(got), "an end within the header", acceptedFile, adviceDamaged)
	}
	return nil, fmt.Errorf("%s: reading at byte %d: %w", p.path, offset, bare(err))
}

// chunkHead reads a chunk's name and stated size, in all 8 bytes.
func (p *parser) chunkHead(offset int64) (string, int64, error) {
	head, err := p.bytesAt(offset, 8)
	if err != nil {
		return "", 0, err
	}
	id, size, err := riff.New(bytes.NewReader(head)).IDnSize()
	return string(id[:]), int64(size), err
}

func (p *parser) parse() error {
	if err := p.container(); err != nil {
		return err
	}
	offset := int64(12)
	for n := 0; p.size-offset >= 8 && !(p.stream && p.haveData); n++ {
		if n == maxChunks && !p.haveData {
			return p.refuse("", offset, fmt.Sprintf("more than %d chunks ahead of the sound", maxChunks), acceptedFile, adviceDamaged)
		} else if n == maxChunks {
			p.warn(offset, fmt.Sprintf("more than %d chunks", maxChunks), "the rest are left out")
			break
		}
		name, size, err := p.chunkHead(offset)
		if err != nil {
			return err
		}
		if p.haveData && !isChunkID(name) {
			p.warn(offset, fmt.Sprintf("%d bytes behind the sound that are no chunk", p.size-offset), "left out; if sound is missing, the header was not brought up to date")
			break
		}
		body := offset + 8
		if name == "data" && !p.haveData {
			if err := p.data(body, p.long(name, size)); err != nil {
				return err
			}
			if p.stream {
				break
			}
			size = p.declared
		} else {
			if long := p.long(name, size); long != unstated {
				size = long
			}
			if err := p.chunk(name, body, min(size, p.size-body), size); err != nil {
				return err
			}
		}
		if size == unstated || size > p.size-body {
			break
		}
		offset = p.next(body+size, size)
	}
	switch {
	case !p.haveFormat:
		return p.refuse("", p.size, "no fmt chunk", acceptedFile, adviceDamaged)
	case !p.haveData:
		return p.refuse("", p.size, "no data chunk", acceptedFile, adviceDamaged)
	}
	p.wholeFrames()
	return nil
}

// container checks the first twelve bytes.
func (p *parser) container() error {
	if p.size <= 0 {
		return p.refuse("", 0, "an empty file", "a WAV file", "see whether the recording or the copy was finished")
	}
	start, err := p.bytesAt(0, min(12, p.size))
	if err != nil {
		return err
	}
	if len(start) == 12 && string(start[8:]) == "WAVE" {
		switch string(start[:4]) {
		case "RIFF":
			return nil
		case "RF64", "BW64":
			p.sizes64 = map[string]int64{}
			return nil
		}
	}
	found, advice := foreign(start)
	return p.refuse("", 0, found, "a WAV file (RIFF, RF64 or BW64) or a FLAC file", advice)
}

// long returns a chunk's size, looked up in ds64 where the chunk's own field is
// too short for it, or unstated.
func (p *parser) long(name string, size int64) int64 {
	if size != unknownSize {
		return size
	}
	if long, ok := p.sizes64[name]; ok {
		return long
	}
	return unstated
}

// next returns where the chunk behind one of the given size begins: a chunk of
// odd size is followed by a byte that makes it even, unless a writer forgot it.
func (p *parser) next(end, size int64) int64 {
	if size%2 == 0 {
		return end
	}
	if !p.chunkAt(end+1) && p.chunkAt(end) {
		p.warn(end, "no pad byte behind a chunk of odd size", "read on without it")
		return end
	}
	return end + 1
}

// chunkAt reports whether the bytes at offset look like a chunk that lies within
// the file.
func (p *parser) chunkAt(offset int64) bool {
	if p.size-offset < 8 {
		return false
	}
	name, size, err := p.chunkHead(offset)
	return err == nil && isChunkID(name) && (size <= p.size-offset-8 || p.long(name, size) != size)
}

// chunk handles a chunk other than the first data chunk; there is the number
// of its declared bytes that the file holds.
func (p *parser) chunk(name string, body, there, declared int64) error {
	switch name {
	case "fmt ":
		if p.haveFormat {
			p.warn(body-8, "a second fmt chunk", "the first one counts")
			return nil
		}
		return p.fmtChunk(body, there)
	case "data":
		p.lose(body-8, fmt.Sprintf("a second data chunk, of %d bytes", declared), "only the first one is read")
		return nil
	case "ds64":
		if p.sizes64 == nil {
			return nil // means nothing in a plain RIFF
		}
		return p.ds64(body, there)
	}
	return p.carry(name, body, there, declared)
}

// ds64 reads the 64-bit sizes of RF64 and BW64 (EBU Tech 3306, Rec. ITU-R
// BS.2088): of the file, the sound and the frame count, then a table of other
// long chunks.
func (p *parser) ds64(body, there int64) error {
	const fixed, row, maxRows = 28, 12, 64
	if there < fixed {
		return p.refuse("ds64", body-8, fmt.Sprintf("%d bytes", there), "28 bytes or more", adviceDamaged)
	}
	b, err := p.bytesAt(body, min(there, fixed+row*maxRows))
	if err != nil {
		return err
	}
	size := func(at int) int64 { return int64(min(binary.LittleEndian.Uint64(b[at:]), 1<<62)) }
	p.sizes64["data"] = size(8)
	rows := int64(binary.LittleEndian.Uint32(b[24:]))
	for at := fixed; at+row <= len(b) && rows > 0; at += row {
		p.sizes64[string(b[at:at+4])] = size(at + 4)
		rows--
	}
	return nil
}

// data notes where the sound lies. What the header states may be wrong: a
// recorder that was cut off leaves 0 or 0xFFFFFFFF.
func (p *parser) data(body, size int64) error {
	if !p.haveFormat {
		return p.refuse("data", body-8, "a data chunk ahead of the fmt chunk", "the fmt chunk first (the order of RIFF/WAVE)", adviceDamaged)
	}
	p.haveData, p.dataOffset, p.declared = true, body, size
	left := p.size - body
	switch {
	case p.stream && (size == unstated || size >= openSize || size == 0 && !p.chunkAt(body)):
		p.declared, p.dataBytes = unstated, wholeFrames(left, p.format)
	case size == unstated, size == 0 && left > 0 && !p.chunkAt(body):
		p.declared, p.dataBytes = unstated, left
		p.warn(body-8, "an unfinished recording: the header does not state its length", "read to the end of the file")
	case size > left:
		p.dataBytes = left
		missing := float64(size-left) / float64(p.format.frameBytes()) / float64(p.format.Rate)
		p.lose(body-8, fmt.Sprintf("a truncated file: %d of %d bytes of sound, %.3f s missing", left, size, missing), "read what is there")
	default:
		p.dataBytes = size
	}
	return nil
}

// wholeFrames is a number of bytes without the part of a frame at its end.
func wholeFrames(size int64, f Format) int64 { return size - size%int64(f.frameBytes()) }

// wholeFrames cuts the sound to whole frames.
func (p *parser) wholeFrames() {
	frame := int64(p.format.frameBytes())
	if part := p.dataBytes % frame; part != 0 {
		p.dataBytes -= part
		p.warn(p.dataOffset+p.dataBytes, fmt.Sprintf("the last frame has %d of %d bytes", part, frame), "left out")
	}
}
