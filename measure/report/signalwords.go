package report

import (
	"strings"

	"github.com/boothbench/boothbench/measure/stimulus"
)

// inWords is a test signal for a reader: "tone, 997 Hz, peak −20 dBFS, 3 s".
func inWords(s stimulus.Signal) string { return describedInWords(stimulus.Describe(s)) }

// describedInWords turns the description of a signal, "kind=tone hz=997 …", into words. The
// usual values are left out: one channel, all channels sounding. Other text is unchanged.
func describedInWords(description string) string {
	words := strings.Fields(description)
	if len(words) == 0 || !strings.HasPrefix(words[0], "kind=") {
		return minus(description)
	}
	var parts []string
	for _, word := range words {
		key, value, found := strings.Cut(word, "=")
		switch key + "=" + value {
		case "channels=1", "only=0", "back=false":
			continue
		case "back=true":
			parts = append(parts, "and back")
			continue
		}
		if value = minus(value); !found {
			parts = append(parts, word)
			continue
		}
		switch key {
		case "kind":
			parts = append(parts, spaced(value))
		case "channels", "periods":
			parts = append(parts, value+" "+key)
		case "per_octave":
			parts = append(parts, value+" per octave")
		case "ratio":
			parts = append(parts, "ratio "+value+" to 1")
		case "step_db":
			parts = append(parts, "steps of "+value+" dB")
		case "step_seconds":
			parts = append(parts, value+" s each")
		case "to_hz", "to_dbfs": // joined with the from_ setting before it
			parts[len(parts)-1] += " " + signalSetting(key, value)
		default:
			parts = append(parts, signalSetting(key, value))
		}
	}
	return strings.Join(parts, ", ")
}

// signalSetting is a setting with its unit: from_hz=5 is "from 5 Hz".
func signalSetting(key, value string) string {
	for _, u := range [][2]string{{"hz", "Hz"}, {"dbfs", "dBFS"}, {"db", "dB"}, {"seconds", "s"}} {
		if name, ok := strings.CutSuffix(key, u[0]); ok {
			return strings.TrimSpace(strings.ReplaceAll(name, "_", " ") + value + " " + u[1])
		}
	}
	return strings.ReplaceAll(key, "_", " ") + " " + value
}

// spaced is the name of a kind or a test as words: "stepped-tone" is "stepped tone".
func spaced(name string) string { return strings.ReplaceAll(minus(name), "-", " ") }
