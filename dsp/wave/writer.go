package wave

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"github.com/boothbench/boothbench/dsp"
)

// Options select how a file is written.
type Options struct {
	Replace bool // write over an existing file
	Keep    bool // leave an existing file as it is; what is written must be the same, else ErrExists
	// KeepLate is Keep that compares at Commit only: what is written before may be abandoned
	// for something else.
	KeepLate bool
	Dither   DitherKind // for integers
	Seed     uint64     // of the dither: same seed, same bits
	Chunks   []Chunk    // carried over as they are
	Inputs   []string   // files that must not be replaced
	Raw      bool       // bare samples, without a header and chunks
	Flush    bool       // write every block at once, for a stream that someone listens to
	Frames   int64      // to be written, if known: the error of a full disk then states how much room is missing
}

// check returns an error if nothing can be written in a format with the options.
func (o Options) check(f Format) *FormatError {
	err := f.Check()
	if err == nil {
		err = o.Dither.check()
	}
	for _, c := range o.Chunks {
		if err == nil {
			err = c.check()
		}
	}
	if err == nil {
		return nil
	}
	return err.(*FormatError)
}

// Writer is a WAV file as a Sink. Its bytes depend on the samples and the
// options alone.
type Writer struct {
	out      destination
	raw      bool
	flushes  bool
	stated   int64 // frames, in the header of a stream; 0: none
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
	if err := o.check(f); err != nil {
		err.Path = path
		return nil, err
	}
	file, err := createFile(&File{asked: path, replace: o.Replace, keeps: (o.Keep || o.KeepLate) && !o.Replace, late: o.KeepLate}, o.Inputs)
	if err != nil {
		return nil, err
	}
	return newWriter(file, f, o)
}

func newWriter(out destination, f Format, o Options) (*Writer, error) {
	w := &Writer{out: out, format: f, encoder: newEncoder(f, o.Dither, o.Seed), raw: o.Raw, flushes: o.Flush}
	w.buffer = make([]byte, bufferBytes/f.frameBytes()*f.frameBytes()+slackBytes)
	if err := w.begin(o); err != nil {
		out.Abort()
		return nil, err
	}
	return w, nil
}

// begin writes everything ahead of the samples. The sizes of a file are still 0; those
// of a stream, which cannot go back, are known or never will be.
func (w *Writer) begin(o Options) error {
	if w.raw {
		return nil
	}
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
	if w.file() == nil {
		if w.stated = o.Frames; w.stated == 0 {
			w.after = nil // nothing can follow sound of no stated length
		}
		w.stateSizes(b)
	}
	return w.append(b)
}

// stateSizes writes the sizes into the header of a stream at once, since it
// cannot be patched later.
func (w *Writer) stateSizes(head []byte) {
	patches := []patch{{4, sizeField(unknownSize)}, {w.dataOffset - 4, sizeField(unknownSize)}}
	if w.stated > 0 {
		dataBytes := w.stated * int64(w.format.frameBytes())
		patches = w.sizes(w.expected+dataBytes%2-8, dataBytes, w.stated)
	} else if w.factOffset > 0 {
		patches = append(patches, patch{w.factOffset, sizeField(unknownSize)})
	}
	for _, p := range patches {
		copy(head[p.offset:], p.bytes)
	}
}

func (w *Writer) append(b []byte) error {
	if w.failed != nil {
		return w.failed
	}
	n, err := w.out.Write(b)
	w.position += int64(n)
	return w.fail(err)
}

// fail stores the first error. On a full disk it states how much space is
// missing.
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

// lastOf is the innermost error.
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
	if err := b.Check(w.format.Channels); err != nil {
		return fmt.Errorf("%s: %w", w.out.Name(), err)
	}
	if w.finished {
		return fmt.Errorf("%s: %w", w.out.Name(), errFinished)
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
	if w.flushes {
		return w.flush()
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

// Overs reports what has been changed so far to fit the format.
func (w *Writer) Overs() Overs { return w.encoder.overs }

// Commit completes the file and makes it appear under its name. If it fails,
// nothing remains.
func (w *Writer) Commit() error { return CommitTogether(w) }

// Abort removes what was written; after Commit it does nothing.
func (w *Writer) Abort() error {
	w.finished = true
	return w.out.Abort()
}

// Reopen completes the file and opens it for reading, ahead of Commit or Abort:
// what is measured then is what would appear. Nothing can be written after it.
func (w *Writer) Reopen() (*Reader, error) {
	f := w.file()
	if f == nil {
		return nil, fmt.Errorf("%s: a stream cannot be read again", w.out.Name())
	}
	if err := w.complete(); err != nil {
		return nil, err
	}
	r, err := open(f.partial, func(r io.ReaderAt, size int64, _ string) (*Reader, error) {
		return NewReader(r, size, f.asked)
	})
	var path *fs.PathError
	if errors.As(err, &path) { // it names the partial file
		return nil, f.failed("read it again", err)
	}
	return r, err
}

// Kept reports, after Commit, that the same file was there already and has been left
// as it was.
func (w *Writer) Kept() bool { return w.file() != nil && w.file().Kept() }

// file is the file that is written, nil for a stream.
func (w *Writer) file() *File {
	f, _ := w.out.(*File)
	return f
}

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
	if w.stated > 0 && w.stated != w.frames {
		return w.fail(fmt.Errorf("%s: %s were written, and %d stated in the header", w.out.Name(), dsp.Plural(w.frames, "frame"), w.stated))
	}
	if w.finished = true; w.raw {
		return w.failed
	}
	dataBytes := w.position - w.dataOffset
	var tail []byte
	if dataBytes%2 != 0 && (w.file() != nil || w.stated > 0) { // else a reader would take it for sound
		tail = append(tail, 0)
	}
	for _, c := range w.after {
		tail = appendChunk(tail, c.ID, c.Data)
	}
	if err := w.append(tail); err != nil {
		return err
	}
	if w.file() != nil {
		for _, p := range w.sizes(w.position-8, dataBytes, w.frames) {
			_, err := w.out.WriteAt(p.bytes, p.offset)
			w.fail(err)
		}
	}
	return w.failed
}

// patch is a part of the header that is known late.
type patch struct {
	offset int64
	bytes  []byte
}

func sizeField(n int64) []byte {
	return binary.LittleEndian.AppendUint32(nil, uint32(min(n, unknownSize)))
}

// sizes are the parts of the header that state sizes. (RF64: EBU Tech 3306)
func (w *Writer) sizes(riffBytes, dataBytes, frames int64) []patch {
	le := binary.LittleEndian
	patches := []patch{{4, sizeField(riffBytes)}, {w.dataOffset - 4, sizeField(dataBytes)}}
	if riffBytes > riffLimit {
		b := append([]byte("RF64"), sizeField(unknownSize)...)
		b = append(b, "WAVEds64\x1c\x00\x00\x00"...)
		b = le.AppendUint64(b, uint64(riffBytes))
		b = le.AppendUint64(b, uint64(dataBytes))
		b = le.AppendUint64(b, uint64(frames))
		b = le.AppendUint32(b, 0) // no table of further long chunks
		patches = []patch{{0, b}, {w.dataOffset - 4, sizeField(unknownSize)}}
	}
	if w.factOffset > 0 {
		patches = append(patches, patch{w.factOffset, sizeField(frames)})
	}
	return patches
}
