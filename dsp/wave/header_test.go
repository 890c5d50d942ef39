package wave

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// file builds the bytes of a WAV by hand.
type file struct{ bytes.Buffer }

func (f *file) chunk(id string, size uint32, body ...byte) *file {
	f.WriteString(id)
	binary.Write(f, binary.LittleEndian, size)
	f.Write(body)
	return f
}

func riffFile(id string) *file {
	f := &file{}
	f.WriteString(id + "\x00\x00\x00\x00WAVE")
	return f
}

func format(tag, channels uint16, rate uint32, align, bits uint16, more ...byte) []byte {
	var b bytes.Buffer
	for _, v := range []any{tag, channels, rate, rate * uint32(align), align, bits} {
		binary.Write(&b, binary.LittleEndian, v)
	}
	b.Write(more)
	return b.Bytes()
}

func fmtOf(tag, channels uint16, rate uint32, align, bits uint16, more ...byte) func(*file) {
	body := format(tag, channels, rate, align, bits, more...)
	return func(f *file) { f.chunk("fmt ", uint32(len(body)), body...) }
}

// extension is the second half of a WAVE_FORMAT_EXTENSIBLE chunk.
func extension(valid uint16, mask uint32, tag uint16) []byte {
	var b bytes.Buffer
	for _, v := range []any{uint16(22), valid, mask, tag} {
		binary.Write(&b, binary.LittleEndian, v)
	}
	b.WriteString(subFormatTail)
	return b.Bytes()
}

// The layouts are those of Microsoft's "Multiple channel audio data and WAVE
// files", EBU Tech 3306 (RF64) and Rec. ITU-R BS.2088 (BW64).
func TestReadsFilesOfOtherPrograms(t *testing.T) {
	mono16 := fmtOf(1, 1, 8000, 2, 16)
	half := []byte{0, 0x40} // 0.5 at 16 bits
	for name, c := range map[string]struct {
		build   func() *file
		want    []float64 // channel after channel
		warning string
		chunks  string
	}{
		"8 bits are unsigned": {func() *file {
			f := riffFile("RIFF")
			fmtOf(1, 1, 8000, 1, 8)(f)
			return f.chunk("data", 3, 0, 128, 192, 0)
		}, []float64{-1, 0, 0.5}, "", ""},
		"24 bits, three mono samples and a pad byte": {func() *file {
			f := riffFile("RIFF")
			fmtOf(1, 1, 8000, 3, 24)(f)
			return f.chunk("data", 9, 0, 0, 0x40, 0xff, 0xff, 0xff, 0, 0, 0x80, 0).chunk("LIST", 4, 'I', 'N', 'F', 'O')
		}, []float64{0.5, -1.0 / (1 << 23), -1}, "", "[{LIST [73 78 70 79] true}]"},
		"20 bits at the top of 3 bytes": {func() *file {
			f := riffFile("RIFF")
			fmtOf(0xFFFE, 1, 8000, 3, 24, extension(20, 4, 1)...)(f)
			return f.chunk("data", 3, 0xf0, 0xff, 0x7f)
		}, []float64{1 - 1.0/(1<<19)}, "", ""},
		"24 bits at the top of 4 bytes": {func() *file {
			f := riffFile("RIFF")
			fmtOf(0xFFFE, 2, 48000, 8, 32, extension(24, 3, 1)...)(f)
			return f.chunk("data", 8, 0, 0, 0, 0x40, 0, 0, 0, 0x80)
		}, []float64{0.5, -1}, "", ""},
		"32-bit floating point, above full scale": {func() *file {
			f := riffFile("RIFF")
			fmtOf(3, 1, 8000, 4, 32)(f)
			return f.chunk("data", 4, 0, 0, 0x20, 0x40)
		}, []float64{2.5}, "", ""},
		"floating point in an extensible header": {func() *file {
			f := riffFile("RIFF")
			fmtOf(0xFFFE, 1, 8000, 8, 64, extension(64, 0, 3)...)(f)
			return f.chunk("data", 8, 0, 0, 0, 0, 0, 0, 0xe0, 0x3f)
		}, []float64{0.5}, "", ""},
		"unknown and odd chunks before": {func() *file {
			f := riffFile("RIFF").chunk("bext", 3, 1, 2, 3, 0).chunk("JUNK", 1, 9, 0)
			mono16(f)
			return f.chunk("wxyz", 1, 7, 0).chunk("data", 2, half...)
		}, []float64{0.5}, "", "[{bext [1 2 3] false} {wxyz [7] false}]"},
		"data size 0 of a recorder that was cut off": {func() *file {
			f := riffFile("RIFF")
			mono16(f)
			return f.chunk("data", 0, 0, 0x40, 0, 0xc0)
		}, []float64{0.5, -0.5}, "unfinished", ""},
		"data size 0xFFFFFFFF of a stream": {func() *file {
			f := riffFile("RIFF")
			mono16(f)
			return f.chunk("data", 0xFFFFFFFF, 0, 0x40, 0, 0xc0, 1)
		}, []float64{0.5, -0.5}, "unfinished", ""},
		"data size 0xFFFFFFFF in an RF64 without ds64": {func() *file {
			f := riffFile("RF64")
			mono16(f)
			return f.chunk("data", 0xFFFFFFFF, 0, 0x40)
		}, []float64{0.5}, "unfinished", ""},
		"a ds64 that was not brought up to date": {func() *file {
			f := riffFile("RF64").chunk("ds64", 28, make([]byte, 28)...)
			mono16(f)
			return f.chunk("data", 0xFFFFFFFF, 0, 0x40)
		}, []float64{0.5}, "unfinished", ""},
		"a data size that was not brought up to date": {func() *file {
			f := riffFile("RIFF")
			mono16(f)
			return f.chunk("data", 2, 0, 0x40, 0, 0xc0, 1, 2, 3, 4, 5, 6, 7)
		}, []float64{0.5}, "9 bytes behind the sound that are no chunk", ""},
		"12 bits at the top of 2 bytes, no extensible header": {func() *file {
			f := riffFile("RIFF")
			fmtOf(1, 1, 8000, 2, 12)(f)
			return f.chunk("data", 2, 0x10, 0x40)
		}, []float64{0.5 + 1.0/(1<<11)}, "", ""},
		"24 bits at the top of 4 bytes, no extensible header": {func() *file {
			f := riffFile("RIFF")
			fmtOf(1, 1, 8000, 4, 24)(f)
			return f.chunk("data", 4, 0, 1, 0, 0xc0)
		}, []float64{-0.5 + 1.0/(1<<23)}, "", ""},
		"valid bits of floating point mean nothing": {func() *file {
			f := riffFile("RIFF")
			fmtOf(0xFFFE, 1, 8000, 4, 32, extension(24, 0, 3)...)(f)
			return f.chunk("data", 4, 0, 0, 0, 0x3f)
		}, []float64{0.5}, "", ""},
		"no pad byte behind odd data": {func() *file {
			f := riffFile("RIFF")
			fmtOf(1, 1, 8000, 3, 24)(f)
			return f.chunk("data", 3, 0, 0, 0x40).chunk("LIST", 4, 'I', 'N', 'F', 'O')
		}, []float64{0.5}, "no pad byte", "[{LIST [73 78 70 79] true}]"},
		"a second fmt chunk": {func() *file {
			f := riffFile("RIFF")
			mono16(f)
			fmtOf(1, 2, 8000, 4, 16)(f)
			return f.chunk("data", 2, half...)
		}, []float64{0.5}, "second fmt", ""},
		"a chunk that states more than the file": {func() *file {
			f := riffFile("RIFF")
			mono16(f)
			return f.chunk("data", 2, half...).chunk("LIST", 0x10000000, 'I', 'N', 'F', 'O')
		}, []float64{0.5}, "states 268435456 bytes, the file holds 4", ""},
		"a chunk with an odd name before": {func() *file {
			f := riffFile("RIFF").chunk("\x00\x01ab", 2, 1, 2)
			mono16(f)
			return f.chunk("data", 2, half...)
		}, []float64{0.5}, "passed over", ""},
		"ds64, fact and peaks are not carried over": {func() *file {
			f := riffFile("RIFF").chunk("ds64", 4, 1, 2, 3, 4).chunk("fact", 4, 1, 0, 0, 0).chunk("PEAK", 0).chunk("levl", 0)
			mono16(f)
			return f.chunk("data", 2, half...)
		}, []float64{0.5}, "", ""},
		"truly empty, with a chunk behind": {func() *file {
			f := riffFile("RIFF")
			mono16(f)
			return f.chunk("data", 0).chunk("LIST", 4, 'I', 'N', 'F', 'O')
		}, []float64{}, "", "[{LIST [73 78 70 79] true}]"},
		"truncated": {func() *file {
			f := riffFile("RIFF")
			mono16(f)
			return f.chunk("data", 16004, 0, 0x40, 0, 0xc0)
		}, []float64{0.5, -0.5}, "1.000 s missing", ""},
		"part of a frame at the end": {func() *file {
			f := riffFile("RIFF")
			fmtOf(1, 2, 8000, 4, 16)(f)
			return f.chunk("data", 6, 0, 0x40, 0, 0xc0, 1, 2)
		}, []float64{0.5, -0.5}, "last frame has 2 of 4 bytes", ""},
		"two data chunks": {func() *file {
			f := riffFile("RIFF")
			mono16(f)
			return f.chunk("data", 2, half...).chunk("data", 2, half...)
		}, []float64{0.5}, "second data chunk", ""},
		"RF64": {func() *file {
			f := riffFile("RF64").chunk("ds64", 28, append(sizes64(100, 4, 2), 0, 0, 0, 0)...)
			mono16(f)
			return f.chunk("data", 0xFFFFFFFF, 0, 0x40, 0, 0xc0).chunk("LIST", 4, 'I', 'N', 'F', 'O')
		}, []float64{0.5, -0.5}, "", "[{LIST [73 78 70 79] true}]"},
		"BW64 with a table": {func() *file {
			f := riffFile("BW64").chunk("ds64", 40, append(append(sizes64(100, 2, 0), 1, 0, 0, 0), 'a', 'x', 'm', 'l', 2, 0, 0, 0, 0, 0, 0, 0)...)
			mono16(f)
			return f.chunk("data", 0xFFFFFFFF, 0, 0x40).chunk("axml", 0xFFFFFFFF, 'o', 'k')
		}, []float64{0.5}, "", "[{axml [111 107] true}]"},
	} {
		t.Run(name, func(t *testing.T) {
			raw := c.build().Bytes()
			r, err := NewReader(bytes.NewReader(raw), int64(len(raw)), "made.wav")
			if err != nil {
				t.Fatal(err)
			}
			var got []float64
			for _, plane := range samples(t, r) {
				got = append(got, plane...)
			}
			if fmt.Sprint(got) != fmt.Sprint(c.want) {
				t.Errorf("samples %v, want %v", got, c.want)
			}
			if w := fmt.Sprint(r.Warnings()); (c.warning == "") != (len(r.Warnings()) == 0) || !strings.Contains(w, c.warning) {
				t.Errorf("warnings %s, want one with %q", w, c.warning)
			}
			chunks := ""
			if len(r.Chunks()) > 0 {
				chunks = fmt.Sprint(r.Chunks())
			}
			if chunks != c.chunks {
				t.Errorf("chunks %s, want %s", chunks, c.chunks)
			}
		})
	}
}

func sizes64(riff, data, frames uint64) []byte {
	var b []byte
	for _, v := range []uint64{riff, data, frames} {
		b = binary.LittleEndian.AppendUint64(b, v)
	}
	return b
}

func TestRefusesByName(t *testing.T) {
	of := func(build func(f *file)) []byte {
		f := riffFile("RIFF")
		build(f)
		f.chunk("data", 4, 1, 2, 3, 4)
		return f.Bytes()
	}
	for name, c := range map[string]struct {
		raw  []byte
		want string
	}{
		"empty":              {nil, "an empty file"},
		"text":               {[]byte("schema = 1\nname"), "text"},
		"FLAC":               {[]byte("fLaC\x00\x00\x00\x22 and so on"), "a FLAC file"},
		"AIFF":               {[]byte("FORM\x00\x00\x00\x00AIFF"), "an AIFF file"},
		"MPEG":               {[]byte("ID3\x04\x00\x00\x00\x00\x00\x00\x00\x00"), "an MPEG audio file"},
		"big-endian":         {[]byte("RIFX\x00\x00\x00\x00WAVE"), "RIFX"},
		"other RIFF":         {[]byte("RIFF\x00\x00\x00\x00AVI "), `a RIFF file of type "AVI "`},
		"MPEG without a tag": {[]byte("\xff\xfa\x90\x00 and so on"), "an MPEG audio file"},
		"Ogg":                {[]byte("OggS\x00\x02\x00\x00 and so on"), "an Ogg file"},
		"MPEG-4":             {[]byte("\x00\x00\x00\x20ftypM4A "), "an MPEG-4 file"},
		"UTF-8 text":         {[]byte("\nÄöü ß — und so weiter"), "text"},
		"other bytes":        {make([]byte, 100), "begins with the bytes 00 00 00 00"},
		"a few bytes":        {[]byte("RIFF\x00"), "a file of 5 bytes"},
		"5 bits":             {of(fmtOf(1, 1, 8000, 1, 5)), "5-bit integer"},
		"24 of 16 bits":      {of(fmtOf(0xFFFE, 1, 8000, 2, 16, extension(24, 0, 1)...)), "24-bit integer in 2 bytes a sample, of 16 bits"},
		"16 of 32 bits in 2": {of(fmtOf(0xFFFE, 1, 8000, 2, 32, extension(16, 0, 1)...)), "16-bit integer in 2 bytes a sample, of 32 bits"},
		"short extensible":   {of(fmtOf(0xFFFE, 1, 8000, 2, 16, 0, 0)), "WAVE_FORMAT_EXTENSIBLE in 18 bytes"},
		"short ds64":         {riffFile("RF64").chunk("ds64", 4, 0, 0, 0, 0).Bytes(), "4 bytes"},
		"A-law":              {of(fmtOf(6, 1, 8000, 1, 8)), "A-law"},
		"mu-law, extensible": {of(fmtOf(0xFFFE, 1, 8000, 1, 8, extension(8, 0, 7)...)), "mu-law"},
		"ADPCM":              {of(fmtOf(2, 1, 8000, 1, 4)), "ADPCM"},
		"foreign sub-format": {of(fmtOf(0xFFFE, 1, 8000, 2, 16, make([]byte, 24)...)), "sub-format"},
		"0 channels":         {of(fmtOf(1, 0, 8000, 2, 16)), "0 channels"},
		"65 channels":        {of(fmtOf(1, 65, 8000, 130, 16)), "65 channels"},
		"rate 0":             {of(fmtOf(1, 1, 0, 2, 16)), "0 Hz"},
		"align 3 for stereo": {of(fmtOf(1, 2, 8000, 3, 16)), "3 bytes a frame"},
		"align 0":            {of(fmtOf(1, 2, 8000, 0, 16)), "0 bytes a frame"},
		"64-bit integers":    {of(fmtOf(1, 1, 8000, 8, 64)), "64-bit integer"},
		"16-bit floats":      {of(fmtOf(3, 1, 8000, 2, 16)), "16-bit floating"},
		"24 bits in 2 bytes": {of(fmtOf(1, 1, 8000, 2, 24)), "24-bit integer"},
		"short fmt":          {of(func(f *file) { f.chunk("fmt ", 4, 1, 0, 1, 0) }), "4 bytes"},
		"data before fmt":    {riffFile("RIFF").chunk("data", 2, 0, 0).Bytes(), "ahead of the fmt"},
		"no data":            {of(func(f *file) {})[:12], "no fmt chunk"},
		"fmt alone":          {func() []byte { f := riffFile("RIFF"); fmtOf(1, 1, 8000, 2, 16)(f); return f.Bytes() }(), "no data chunk"},
		"fmt of 256 MiB":     {riffFile("RIFF").chunk("fmt ", 0x10000000, 1, 0).Bytes(), "2 bytes"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := NewReader(bytes.NewReader(c.raw), int64(len(c.raw)), "odd.wav")
			var format *FormatError
			if !errors.As(err, &format) || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "odd.wav") || !strings.Contains(err.Error(), "accepted") {
				t.Errorf("error %v, want a FormatError with %q", err, c.want)
			}
		})
	}
	folder := t.TempDir()
	if _, err := Open(folder); err == nil || !strings.Contains(err.Error(), "folder") {
		t.Errorf("a folder gives %v", err)
	}
	if _, err := Open(filepath.Join(folder, "none.wav")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a missing file gives %v", err)
	}
}
