package wave

import (
	"fmt"
	"strconv"
	"strings"
)

// rawFormats are the names of bare samples: kind, bits, little-endian.
var rawFormats = []struct {
	name     string
	encoding Encoding
	bits     int
}{
	{"u8", Integer, 8}, {"s16le", Integer, 16}, {"s24le", Integer, 24}, {"s32le", Integer, 32}, {"f32le", Float, 32}, {"f64le", Float, 64},
}

// ParseRaw reads the format of bare samples: rate in Hz, channels, and one of u8,
// s16le, s24le, s32le, f32le and f64le, such as "48000,2,s24le".
func ParseRaw(text string) (Format, error) {
	const accepted = "RATE,CHANNELS,SAMPLES such as 48000,2,s24le; samples: u8, s16le, s24le, s32le, f32le, f64le"
	parts := strings.Split(text, ",")
	if len(parts) != 3 {
		return Format{}, fmt.Errorf("found %q; accepted: %s", text, accepted)
	}
	f := Format{}
	var errRate, errChannels error
	f.Rate, errRate = strconv.Atoi(strings.TrimSpace(parts[0]))
	f.Channels, errChannels = strconv.Atoi(strings.TrimSpace(parts[1]))
	for _, known := range rawFormats {
		if known.name == strings.TrimSpace(parts[2]) {
			f.Encoding, f.Bits = known.encoding, known.bits
		}
	}
	if errRate != nil || errChannels != nil || f.Bits == 0 {
		return Format{}, fmt.Errorf("found %q; accepted: %s", text, accepted)
	}
	return f, f.Check()
}

// Raw names the format as ParseRaw reads it, "" for one that has no such name.
func (f Format) Raw() string {
	for _, known := range rawFormats {
		if known.encoding == f.Encoding && known.bits == f.Bits && f.container() == known.bits/8 {
			return fmt.Sprintf("%d,%d,%s", f.Rate, f.Channels, known.name)
		}
	}
	return ""
}
