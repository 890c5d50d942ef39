package wave

import (
	"encoding/binary"
	"fmt"

	"github.com/boothbench/boothbench/dsp"
)

// Options are the ways to write a file.
type Options struct {
	Replace bool       // write over an existing file
	Dither  DitherKind // for integers
	Seed    uint64     // of the dither: same seed, same bits
	Chunks  []Chunk    // carried over as they are
	Inputs  []string   // files that must not be replaced
}

// Writer is a WAV file as a Sink. Its bytes depend on the samples and the
// options alone.
type Writer struct {
	file      *File
	format    Format
	after     []Chunk
	quantiser *quantiser
	codes     [][]int32
	buffer    []byte

	frames     int64
	position   int64 // bytes written
	dataOffset int64
	factOffset int64 // of the fact chunk's number, 0 if there is none
	failed     error
}

// riffLimit is the size that a RIFF header can still state; a longer file
// becomes RF64. A variable, so that a test need not write 4 GiB.
var riffLimit int64 = 0xFFFFFFFF

// Create begins a WAV file. It appears under its name with Commit.
func Create(path string, f Format, o Options) (*Writer, error) {
	if err := f.check(); err != nil {
		err.(*FormatError).Path = path
		return nil, err
	}
	file, err := CreateFile(path, o.Replace, o.Inputs)
	if err != nil {
		return nil, err
	}
	frame := f.frameBytes()
	frames := max(1, bufferBytes/frame)
	w := &Writer{file: file, format: f, quantiser: newQuantiser(f, o.Dither, o.Seed), buffer: make([]byte, frames*frame+slackBytes)}
	planes := 1
	if f.Channels == 2 {
		planes = 2
	}
	for range planes {
		w.codes = append(w.codes, make([]int32, frames))
	}
	if err := w.begin(o.Chunks); err != nil {
		file.Abort()
		return nil, err
	}
	return w, nil
}

// begin writes everything ahead of the samples, with sizes still 0.
func (w *Writer) begin(chunks []Chunk) error {
	le := binary.LittleEndian
	b := []byte("RIFF\x00\x00\x00\x00WAVE")
	b = append(b, "JUNK\x1c\x00\x00\x00"...) // the place of a ds64 chunk (EBU Tech 3306)
	b = append(b, make([]byte, 28)...)
	for _, c := range chunks {
		if c.After {
			w.after = append(w.after, c)
			continue
		}
		b = appendChunk(b, c.ID, c.Data)
	}
	b = appendChunk(b, "fmt ", w.fmtChunk())
	if w.format.Encoding == Float {
		w.factOffset = int64(len(b)) + 8
		b = appendChunk(b, "fact", make([]byte, 4))
	}
	b = append(b, "data"...)
	b = le.AppendUint32(b, 0)
	w.dataOffset = int64(len(b))
	return w.append(b)
}

// appendChunk appends a chunk and the byte that makes its length even.
func appendChunk(b []byte, id string, data []byte) []byte {
	b = append(b, (id + "    ")[:4]...)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(data)))
	b = append(b, data...)
	if len(data)%2 != 0 {
		b = append(b, 0)
	}
	return b
}

// fmtChunk is plain WAVE_FORMAT_PCM or IEEE_FLOAT where that says everything.
func (w *Writer) fmtChunk() []byte {
	le := binary.LittleEndian
	f := w.format
	tag := uint16(tagPCM)
	if f.Encoding == Float {
		tag = tagFloat
	}
	extensible := f.Channels > 2 || f.ChannelMask != 0 || f.Bits != 8*f.container()
	var b []byte
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
	if extensible {
		b = le.AppendUint16(b, 22)
		b = le.AppendUint16(b, uint16(f.Bits))
		b = le.AppendUint32(b, f.ChannelMask)
		b = le.AppendUint16(b, tag)
		b = append(b, subFormatTail...)
	} else if tag != tagPCM {
		b = le.AppendUint16(b, 0)
	}
	return b
}

func (w *Writer) append(b []byte) error {
	if w.failed != nil {
		return w.failed
	}
	n, err := w.file.Write(b)
	w.position += int64(n)
	if err != nil {
		w.failed = fmt.Errorf("%s: after %d bytes: %w", w.file.path, w.position, err)
	}
	return w.failed
}

// Write appends a block.
func (w *Writer) Write(b dsp.Block) error {
	if len(b) != w.format.Channels {
		return fmt.Errorf("%s: found a block of %d channels; accepted: %d", w.file.path, len(b), w.format.Channels)
	}
	frame := w.format.frameBytes()
	for from, frames := 0, b.Frames(); from < frames; {
		n := min(frames-from, (len(w.buffer)-slackBytes)/frame)
		w.encode(w.buffer, b, from, n)
		if err := w.append(w.buffer[:n*frame]); err != nil {
			return err
		}
		w.frames += int64(n)
		from += n
	}
	return nil
}

// Frames is the number of frames written so far.
func (w *Writer) Frames() int64 { return w.frames }

// Overs tells what had to be clamped so far.
func (w *Writer) Overs() Overs { return w.quantiser.overs }

// Commit completes the header and makes the file appear under its name.
func (w *Writer) Commit() error {
	if err := w.finish(); err != nil {
		w.file.Abort()
		return err
	}
	return w.file.Commit()
}

// Abort removes what was written; after Commit it does nothing.
func (w *Writer) Abort() error { return w.file.Abort() }

func (w *Writer) finish() error {
	le := binary.LittleEndian
	dataBytes := w.position - w.dataOffset
	var tail []byte
	if dataBytes%2 != 0 {
		tail = append(tail, 0)
	}
	for _, c := range w.after {
		tail = appendChunk(tail, c.ID, c.Data)
	}
	if err := w.append(tail); err != nil {
		return err
	}
	riffBytes := w.position - 8
	patch := func(offset int64, b []byte) {
		if _, err := w.file.WriteAt(b, offset); err != nil && w.failed == nil {
			w.failed = err
		}
	}
	size := func(n int64) []byte { return le.AppendUint32(nil, uint32(min(n, unknownSize))) }
	if riffBytes > riffLimit {
		b := append([]byte("RF64"), size(unknownSize)...)
		b = append(b, "WAVEds64\x1c\x00\x00\x00"...)
		b = le.AppendUint64(b, uint64(riffBytes))
		b = le.AppendUint64(b, uint64(dataBytes))
		b = le.AppendUint64(b, uint64(w.frames))
		patch(0, le.AppendUint32(b, 0)) // no table of further long chunks
		patch(w.dataOffset-4, size(unknownSize))
	} else {
		patch(4, size(riffBytes))
		patch(w.dataOffset-4, size(dataBytes))
	}
	if w.factOffset > 0 {
		patch(w.factOffset, size(w.frames))
	}
	return w.failed
}
