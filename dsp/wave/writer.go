package wave

import (
	"encoding/binary"
	"errors"
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
	Frames  int64      // to be written, if known: the error of a full disk then states how much room is missing
}

// Writer is a WAV file as a Sink. Its bytes depend on the samples and the
// options alone.
type Writer struct {
	out      *File
	format   Format
	after    []Chunk
	encoder  *encoder
	pending  int // bytes in buffer
	buffer   []byte
	expected int64 // bytes in all, 0: not known

	frames     int64
	position   int64 // bytes written
	dataOffset int64
	factOffset int64 // of the fact chunk's number, 0 if there is none
	finished   bool
	failed     error
}

// riffLimit is the size that a RIFF header can still state; a longer file
// becomes RF64. A variable, so that a test need not write 4 GiB.
var riffLimit int64 = 0xFFFFFFFF

// Create begins a WAV file. It appears under its name with Commit.
func Create(path string, f Format, o Options) (*Writer, error) {
	err := f.check()
	for _, c := range o.Chunks {
		if err == nil {
			err = c.check()
		}
	}
	if err != nil {
		err.(*FormatError).Path = path
		return nil, err
	}
	file, err := CreateFile(path, o.Replace, o.Inputs)
	if err != nil {
		return nil, err
	}
	w := &Writer{out: file, format: f, encoder: newEncoder(f, o.Dither, o.Seed)}
	w.buffer = make([]byte, bufferBytes/f.frameBytes()*f.frameBytes()+slackBytes)
	if err := w.begin(o); err != nil {
		file.Abort()
		return nil, err
	}
	return w, nil
}

// begin writes everything ahead of the samples, with sizes still 0.
func (w *Writer) begin(o Options) error {
	b := []byte("RIFF\x00\x00\x00\x00WAVE")
	b = appendChunk(b, "JUNK", make([]byte, 28)) // the place of a ds64 chunk (EBU Tech 3306)
	for _, c := range o.Chunks {
		if c.After {
			w.after = append(w.after, c)
			continue
		}
		b = appendChunk(b, c.ID, c.Data)
	}
	b = appendChunk(b, "fmt ", appendFormat(nil, w.format))
	if w.format.Encoding == Float {
		w.factOffset = int64(len(b)) + 8
		b = appendChunk(b, "fact", make([]byte, 4))
	}
	b = append(b, "data\x00\x00\x00\x00"...)
	w.dataOffset = int64(len(b))
	if o.Frames > 0 {
		w.expected = w.dataOffset + o.Frames*int64(w.format.frameBytes())
		for _, c := range w.after {
			w.expected += 8 + int64(len(c.Data)) + int64(len(c.Data)%2)
		}
	}
	return w.append(b)
}

func (w *Writer) append(b []byte) error {
	if w.failed != nil {
		return w.failed
	}
	n, err := w.out.Write(b)
	w.position += int64(n)
	return w.fail(err)
}

// fail remembers the first error. On a full disk it says how much is missing.
func (w *Writer) fail(err error) error {
	if err == nil || w.failed != nil {
		return w.failed
	}
	if failed := (*OutputError)(nil); errors.As(err, &failed) && w.expected > 0 {
		err = &OutputError{failed.Path, failed.Doing, spaceMissing(lastOf(failed.Err), w.position, w.expected)}
	}
	w.failed = err
	return err
}

// lastOf is the error that all others are wrapped around.
func lastOf(err error) error {
	for {
		inner := errors.Unwrap(err)
		if inner == nil {
			return err
		}
		err = inner
	}
}

// Write appends a block.
func (w *Writer) Write(b dsp.Block) error {
	if err := checkShape(b, w.format.Channels); err != nil {
		return fmt.Errorf("%s: %w", w.out.asked, err)
	}
	if w.finished {
		return fmt.Errorf("%s: %w", w.out.asked, errFinished)
	}
	frame := w.format.frameBytes()
	room := len(w.buffer) - slackBytes
	for from, frames := 0, b.Frames(); from < frames; {
		n := min(frames-from, (room-w.pending)/frame)
		w.encoder.encode(w.buffer[w.pending:], b, from, n)
		w.pending += n * frame
		w.frames += int64(n)
		from += n
		if w.pending == room {
			if err := w.flush(); err != nil {
				return err
			}
		}
	}
	return w.failed
}

// flush writes the frames that are encoded.
func (w *Writer) flush() error {
	n := w.pending
	w.pending = 0
	return w.append(w.buffer[:n])
}

// Frames is the number of frames written so far.
func (w *Writer) Frames() int64 { return w.frames }

// Overs says what had to be changed so far to fit the format.
func (w *Writer) Overs() Overs { return w.encoder.overs }

// Commit completes the file and makes it appear under its name. If it
// fails, nothing is left behind.
func (w *Writer) Commit() error { return CommitTogether(w) }

// Abort removes what was written; after Commit it does nothing.
func (w *Writer) Abort() error { return w.out.Abort() }

// Reopen completes the file and opens it for reading, ahead of Commit or Abort:
// what is measured then is what would appear. Nothing can be written after it.
func (w *Writer) Reopen() (*Reader, error) {
	if err := w.complete(); err != nil {
		return nil, err
	}
	r, err := Open(w.out.partial)
	if err != nil {
		return nil, w.out.failed("read it again", err)
	}
	r.path = w.out.asked
	return r, nil
}

func (w *Writer) file() *File { return w.out }

// complete writes what follows the samples, then the sizes.
func (w *Writer) complete() error {
	if err := w.out.complete(); err != nil {
		return err
	}
	if w.finished {
		return w.failed
	}
	if err := w.flush(); err != nil {
		return err
	}
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
	le := binary.LittleEndian
	patch := func(offset int64, b []byte) {
		_, err := w.out.WriteAt(b, offset)
		w.fail(err)
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
	w.finished = true
	return w.failed
}
