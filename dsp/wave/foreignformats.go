package wave

import (
	"bytes"
	"fmt"
	"unicode/utf8"
)

// Texts for messages: what this package accepts, and what to do about other
// files.
const (
	acceptedFile    = "a WAV file with a fmt and a data chunk"
	acceptedCodings = "integer PCM of 8 to 32 bits or IEEE floating point of 32 or 64 bits"

	adviceDecode  = "decode it to one of these first"
	adviceExport  = "export it again in one of these"
	adviceDamaged = "the file is damaged: copy or export it again"
)

// foreign names the probable kind of a file that is not a WAV file, from its
// first bytes, and advises what to do.
func foreign(start []byte) (name, advice string) {
	for _, known := range []struct {
		at          int
		magic, name string
	}{
		{0, "RIFX", "RIFX, a WAV of big-endian numbers"},
		{0, "OggS", "an Ogg file"}, {0, "FORM", "an AIFF file"},
		{0, "caff", "a CAF file"}, {0, "riff\x2e\x91", "a Wave64 file"}, {4, "ftyp", "an MPEG-4 file"},
		{0, "ID3", "an MPEG audio file"},
	} {
		if len(start) >= known.at && bytes.HasPrefix(start[known.at:], []byte(known.magic)) {
			return known.name, "decode it to a WAV file first"
		}
	}
	switch {
	case len(start) >= 2 && start[0] == 0xff && start[1]&0xe0 == 0xe0: // 11 set bits: the frame sync
		return "an MPEG audio file", "decode it to a WAV file first"
	case len(start) < 12:
		return fmt.Sprintf("a file of %d bytes", len(start)), adviceDamaged
	case bytes.HasPrefix(start, []byte("RIFF")):
		return fmt.Sprintf("a RIFF file of type %q", start[8:12]), "give a WAVE file"
	case isText(start):
		return fmt.Sprintf("text (%q…)", start), "give the recording itself"
	}
	return fmt.Sprintf("a file that begins with the bytes % x", start[:4]), "give a WAV file; convert other kinds first"
}

// isText reports whether bytes, which may end within a character, are text.
func isText(b []byte) bool {
	for len(b) > 0 {
		r, n := utf8.DecodeRune(b)
		if r == utf8.RuneError && utf8.FullRune(b) || r < ' ' && r != '\n' && r != '\r' && r != '\t' {
			return false
		}
		b = b[n:]
	}
	return true
}

// foreignCoding names a format tag that this package does not decode, "" for
// one that it does. The numbers are those of the registry of wave formats (RFC
// 2361).
func foreignCoding(tag uint16) string {
	switch tag {
	case tagPCM, tagFloat:
		return ""
	case 0x0002, 0x0011:
		return "ADPCM coding"
	case 0x0006:
		return "A-law coding"
	case 0x0007:
		return "mu-law coding"
	case 0x0031:
		return "GSM 6.10 coding"
	case 0x0050, 0x0055:
		return "MPEG audio coding"
	}
	return fmt.Sprintf("coding 0x%04x", tag)
}
