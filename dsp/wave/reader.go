package wave

import (
	"fmt"
	"io"
	"os"

	"github.com/boothbench/boothbench/dsp"
)

// Reader is a file, or a stream, as a Source: WAV, FLAC or bare samples.
type Reader struct {
	r      io.ReaderAt
	stream io.Reader   // in place of r: read once, forward
	flac   *flacReader // in place of both
	file   *os.File    // if Open opened it
	path   string
	size   int64
	header
	decode decoder

	next    int64  // offset in the file of the first byte not yet in pending
	pending []byte // read, not decoded
	buffer  []byte
}

const (
	bufferBytes = 1 << 16
	slackBytes  = 16 // decoders load, and encoders store, whole words where a frame begins
)

// Open opens a WAV or FLAC file. Errors in the file's content are *FormatError.
func Open(path string) (*Reader, error) { return open(path, NewReader) }

// OpenRaw opens a file of bare samples.
func OpenRaw(path string, f Format) (*Reader, error) {
	return open(path, func(r io.ReaderAt, size int64, name string) (*Reader, error) {
		p := parser{size: size, path: name, header: header{format: f, dataBytes: size}}
		if err := f.Check(); err != nil {
			return nil, err
		}
		p.wholeFrames()
		return newReader(r, p.header, size, name), nil
	})
}

func open(path string, read func(io.ReaderAt, int64, string) (*Reader, error)) (*Reader, error) {
	// Looked at before it is opened: opening a pipe would wait for a writer.
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, &FormatError{Path: path, Found: kindOf(info), Accepted: "a WAV file"}
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	if info, err = f.Stat(); err != nil {
		f.Close()
		return nil, err
	}
	r, err := read(f, info.Size(), path)
	if err != nil {
		f.Close()
		return nil, err
	}
	r.file = f
	return r, nil
}

// kindOf names the kind of a file that is not regular.
func kindOf(info os.FileInfo) string {
	switch {
	case info.IsDir():
		return "a folder"
	case info.Mode().IsRegular():
		return "a file"
	}
	return "a device or pipe"
}

// NewReader reads a WAV or FLAC file of size bytes from r; name stands for it in
// messages.
func NewReader(r io.ReaderAt, size int64, name string) (*Reader, error) {
	start := make([]byte, len(flacSignature))
	if n, _ := r.ReadAt(start, 0); n == len(start) && size > int64(n) && string(start) == flacSignature {
		return newFLACReader(io.NewSectionReader(r, 0, size), name)
	}
	p := parser{r: r, size: size, path: name}
	if err := p.parse(); err != nil {
		return nil, err
	}
	return newReader(r, p.header, size, name), nil
}

func newReader(r io.ReaderAt, h header, size int64, name string) *Reader {
	frame := h.format.frameBytes()
	frames := bufferBytes / frame
	return &Reader{
		r: r, path: name, size: size, header: h, next: h.dataOffset,
		decode: decoderFor(h.format), buffer: make([]byte, frames*frame+slackBytes),
	}
}

func newFLACReader(r io.Reader, name string) (*Reader, error) {
	f, warnings, err := newFLAC(r, name)
	if err != nil {
		return nil, err
	}
	if f.frames == 0 && f.file != nil { // not stated: count them
		if f.frames, err = f.count(); err != nil {
			return nil, err
		}
	}
	return &Reader{flac: f, path: name, header: header{format: f.format, warnings: warnings}}, nil
}

// Format describes how the file stores its samples.
func (r *Reader) Format() Format { return r.format }

// Frames is the number of frames in the file; of a stream that does not state it, −1
// until it has ended.
func (r *Reader) Frames() int64 {
	switch {
	case r.flac != nil && r.flac.frames == 0:
		return -1
	case r.flac != nil:
		return r.flac.frames
	case r.dataBytes > endless/2:
		return -1
	}
	return r.dataBytes / int64(r.format.frameBytes())
}

// Name is the file's path, or what NewReader was given.
func (r *Reader) Name() string { return r.path }

// IsStream reports whether the sound is read once, forward.
func (r *Reader) IsStream() bool { return r.stream != nil || r.flac != nil && r.flac.file == nil }

// Rename changes the file's name in messages.
func (r *Reader) Rename(name string) {
	r.path = name
	if r.flac != nil {
		r.flac.path = name
	}
	for i := range r.warnings {
		r.warnings[i].Path = name
	}
}

// Warnings are the defects found so far. A file that is still growing is noticed at the
// end only.
func (r *Reader) Warnings() []Warning { return r.warnings }

// Chunks returns the chunks to carry over to a processed copy.
func (r *Reader) Chunks() []Chunk { return r.chunks }

// Read fills b, or its first part at the end of the sound.
func (r *Reader) Read(b dsp.Block) (int, error) {
	if err := b.Check(r.format.Channels); err != nil {
		return 0, fmt.Errorf("%s: %w", r.path, err)
	}
	if r.flac != nil {
		return r.flac.read(b)
	}
	frame := r.format.frameBytes()
	done := 0
	for want := b.Frames(); done < want; {
		if len(r.pending) == 0 {
			if err := r.fill(); err == io.EOF && done > 0 {
				break
			} else if err != nil {
				return done, err
			}
		}
		n := min(want-done, len(r.pending)/frame)
		r.decode(b, done, n, r.pending[:n*frame+slackBytes:cap(r.pending)])
		r.pending = r.pending[n*frame:]
		done += n
	}
	return done, nil
}

// fill reads the next bytes of sound.
func (r *Reader) fill() error {
	if r.stream != nil {
		return r.fillStream()
	}
	left := r.dataOffset + r.dataBytes - r.next
	if left == 0 {
		r.noticeGrowth()
		return io.EOF
	}
	n := int(min(left, int64(len(r.buffer)-slackBytes)))
	if got, err := r.r.ReadAt(r.buffer[:n], r.next); got < n {
		if err == io.EOF {
			err = fmt.Errorf("the file was cut short while it was read: %w", io.ErrUnexpectedEOF)
		}
		return fmt.Errorf("%s: at byte %d: %w", r.path, r.next+int64(got), bare(err))
	}
	r.pending = r.buffer[:n]
	r.next += int64(n)
	return nil
}

// noticeGrowth warns, once, of a file that has grown since it was opened: it is
// probably still being recorded.
func (r *Reader) noticeGrowth() {
	if r.file == nil {
		return
	}
	if info, err := r.file.Stat(); err == nil && info.Size() > r.size {
		r.warnings = append(r.warnings, Warning{Path: r.path, Offset: r.size,
			Found: fmt.Sprintf("the file has grown by %s since it was opened: it is still being recorded", dsp.Plural(info.Size()-r.size, "byte")), Done: "read to where it ended then"})
		r.size = info.Size()
	}
}

// SeekFrame makes the next Read begin at a frame.
func (r *Reader) SeekFrame(frame int64) error {
	if r.stream != nil {
		return fmt.Errorf("%s: a stream is read once, from its beginning", r.path)
	}
	if frame < 0 || frame > r.Frames() {
		return fmt.Errorf("%s: frame %d: %w; accepted: 0 to %d", r.path, frame, ErrNoFrame, r.Frames())
	}
	if r.flac != nil {
		return r.flac.seek(frame)
	}
	r.next = r.dataOffset + frame*int64(r.format.frameBytes())
	r.pending = nil
	return nil
}

// Close closes the file, if Open opened it.
func (r *Reader) Close() error {
	if r.file == nil {
		return nil
	}
	return r.file.Close()
}
