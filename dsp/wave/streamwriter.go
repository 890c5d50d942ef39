package wave

import "io"

// destination receives a Writer's bytes: a *File or a stream.
type destination interface {
	Name() string
	Write([]byte) (int, error)
	WriteAt([]byte, int64) (int, error) // of a *File only
	complete() error
	Abort() error
}

// NewStreamWriter writes sound to a stream, such as a pipe, as a WAV or, with
// Options.Raw, as bare samples. Where Options.Frames is not known ahead, the header
// says 0xFFFFFFFF for its sizes, as that of an unfinished recording does, and chunks
// that stood behind the sound are left out. Commit writes what is pending.
func NewStreamWriter(w io.Writer, f Format, o Options) (*Writer, error) {
	if err := o.check(f); err != nil {
		return nil, err
	}
	return newWriter(&streamOut{w}, f, o)
}

// streamOut is a stream as a destination.
type streamOut struct{ w io.Writer }

func (s *streamOut) Name() string { return "standard output" }

func (s *streamOut) Write(b []byte) (int, error) {
	n, err := s.w.Write(b)
	if err != nil {
		err = &OutputError{s.Name(), "write it", bare(err)}
	}
	return n, err
}

func (s *streamOut) WriteAt([]byte, int64) (int, error) { panic("a stream goes forward only") }

func (s *streamOut) complete() error { return nil }

func (s *streamOut) Abort() error { return nil }
