package wave

import (
	"errors"
	"fmt"
	"io"
)

// NewStream reads sound from a stream, such as a pipe: WAV, RF64, BW64 or FLAC; name
// stands for it in messages. A stream that does not state its length has Frames of −1
// and ends where it ends. Chunks behind the sound are not carried over.
func NewStream(r io.Reader, name string) (*Reader, error) {
	s := &sequence{r: r}
	start := make([]byte, len(flacSignature))
	if _, err := s.ReadAt(start, 0); err == nil && string(start) == flacSignature {
		return newFLACReader(&struct{ io.Reader }{io.MultiReader(s.rest(0), r)}, name)
	} else if err != nil && err != io.EOF {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	p := parser{r: s, size: endless, path: name, stream: true}
	if s.at == 0 {
		p.size = 0 // an empty stream
	}
	if err := p.parse(); err != nil {
		return nil, err
	}
	reader := newReader(s, p.header, endless, name)
	reader.stream = s.rest(p.dataOffset)
	reader.stream = io.MultiReader(reader.stream, r)
	return reader, nil
}

// NewRawStream reads bare samples from a stream.
func NewRawStream(r io.Reader, f Format, name string) (*Reader, error) {
	if err := f.Check(); err != nil {
		return nil, err
	}
	reader := newReader(nil, header{format: f, dataBytes: wholeFrames(endless, f)}, endless, name)
	reader.stream = r
	return reader, nil
}

// endless is the size of a stream of no stated length.
const endless = 1 << 62

// sequence is a stream as the parser of headers sees it: it goes forward, and keeps
// the last bytes for a second look.
type sequence struct {
	r    io.Reader
	at   int64  // bytes read
	last []byte // the newest of them
}

const keptBytes = 1 << 10

// ReadAt reads on, past what lies before the offset.
func (s *sequence) ReadAt(b []byte, offset int64) (int, error) {
	kept := s.at - int64(len(s.last))
	if offset < kept {
		return 0, errors.New("a stream cannot go back that far")
	}
	if _, err := io.CopyN(&keeping{s}, s.r, offset-s.at); offset > s.at && err != nil {
		return 0, err
	}
	n := 0
	if offset < s.at {
		n = copy(b, s.last[offset-s.at+int64(len(s.last)):])
	}
	more, err := io.ReadFull(s.r, b[n:])
	(&keeping{s}).Write(b[n : n+more])
	if err == io.ErrUnexpectedEOF {
		err = io.EOF
	}
	return n + more, err
}

// rest are the bytes from an offset on that have been read already.
func (s *sequence) rest(offset int64) io.Reader {
	return &bytesOnce{s.last[offset-s.at+int64(len(s.last)):]}
}

// keeping adds to the last bytes of a sequence.
type keeping struct{ *sequence }

func (k *keeping) Write(b []byte) (int, error) {
	k.at += int64(len(b))
	k.last = append(k.last, b...)
	if extra := len(k.last) - keptBytes; extra > 0 {
		k.last = append(k.last[:0:0], k.last[extra:]...)
	}
	return len(b), nil
}

// bytesOnce gives bytes and then ends.
type bytesOnce struct{ b []byte }

func (o *bytesOnce) Read(b []byte) (int, error) {
	if len(o.b) == 0 {
		return 0, io.EOF
	}
	n := copy(b, o.b)
	o.b = o.b[n:]
	return n, nil
}

// fillStream reads the next bytes of a stream: those available, one frame at least.
func (r *Reader) fillStream() error {
	left := r.dataOffset + r.dataBytes - r.next
	if left == 0 {
		return io.EOF
	}
	frame := r.format.frameBytes()
	room := r.buffer[:min(left, int64(len(r.buffer)-slackBytes))]
	got, err := io.ReadAtLeast(r.stream, room, frame)
	if part := got % frame; err == nil && part != 0 {
		more := 0
		more, err = io.ReadFull(r.stream, room[got:got+frame-part])
		got += more
	}
	whole := got - got%frame
	r.pending = r.buffer[:whole]
	r.next += int64(whole)
	switch {
	case err == nil:
		return nil
	case err != io.EOF && err != io.ErrUnexpectedEOF:
		return fmt.Errorf("%s: at byte %d: %w", r.path, r.next, err)
	}
	if part := got % frame; part != 0 {
		r.warnings = append(r.warnings, Warning{Path: r.path, Offset: r.next, Found: fmt.Sprintf("the last frame has %d of %d bytes", part, frame), Done: "left out"})
	}
	if missing := r.dataOffset + r.dataBytes - r.next; r.size != endless || r.Frames() >= 0 {
		r.warnings = append(r.warnings, Warning{Path: r.path, Offset: r.next, Lost: true,
			Found: fmt.Sprintf("a truncated stream: %.3f s missing", float64(missing/int64(frame))/float64(r.format.Rate)), Done: "read what is there"})
	}
	r.dataBytes = r.next - r.dataOffset // it has ended
	if whole == 0 {
		return io.EOF
	}
	return nil
}
