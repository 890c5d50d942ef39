package bench

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// cautionOf is the caution for each kind of path: what can be damaged there.
var cautionOf = map[string]string{
	"microphone-input": "Phantom power: switch 48 V off and wait a minute before plugging or looping back. Use a pad where a line output feeds the input.",
	"line-input":       "Set the gain to its minimum before plugging, then raise it to the condition's.",
	"line-output":      "Disconnect loudspeakers: sustained high tones burn tweeters, and low ones move woofers past their stops.",
	"headphone-output": "Take headphones off your ears. Measure into the load resistor, and connect no headphone while signals play.",
	"loopback":         "Switch direct and software monitoring off: a signal that arrives twice makes the recording void, and may feed back.",
	"effect":           "Turn monitors down: the effect may raise the level.",
	"processor":        "Turn monitors down: make-up gain may raise the level.",
	"limiter":          "Turn monitors down: these signals drive the limiter up to its ceiling.",
}

// PathKinds returns the kinds of paths.
func PathKinds() []string { return slices.Sorted(maps.Keys(cautionOf)) }

// generalCautions are printed on every cue sheet.
const generalCautions = `Cautions
  Hearing: test signals are loud and sustained. Take headphones off, turn monitors down,
    and raise the level slowly from the lowest.
  Tweeters: disconnect loudspeakers while sweeps and high tones play.
  Phantom power: off before plugging, unless the condition needs it.
  Mains: measure line and headphone outputs only, of closed equipment. No bridged
    amplifier into a grounded input, and nothing with exposed mains.
  Local rules for sound levels and electrical safety, and the people qualified for them,
  come before this sheet. boothbench plays nothing itself.
`

// CueSheet returns the instructions for the bench as text: what to connect, the gain and load
// to set, what to play and record, and how long it takes.
func (p *Plan) CueSheet() (string, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "Cue sheet: %s\nPlan: %s, SHA-256 %s\n\n%s\n", p.Device, p.Name, p.Digest, generalCautions)
	b.WriteString("Calibration\n  Play calibration.wav, a sine of 1 kHz at -20 dBFS, and read the volts (rms) at the\n  point of the path to which its figures refer. Write them into the plan as\n  calibration = \"-20 dBFS = 0.245 V\", with your reading in place of 0.245.\n  Without it there are no dBu, and no equivalent input noise.\n\n")
	total := 0.0
	for n, c := range p.Conditions() {
		fmt.Fprintf(&b, "%d  %s\n", n+1, c)
		if c.Path.Setup != "" {
			fmt.Fprintf(&b, "   Connect: %s\n", c.Path.Setup)
		}
		fmt.Fprintf(&b, "   Caution: %s\n", cautionOf[c.Path.Kind])
		sound, begins, err := p.Sound(c)
		if err != nil {
			return "", err
		}
		if sound != nil {
			seconds := float64(sound.Frames()) / float64(c.RateHz)
			total += seconds * float64(p.Repeats)
			fmt.Fprintf(&b, "   Play %s.wav and record it, %s, from before its start until after its end: %s\n", c.FileName(), times(p.Repeats), measure.TimeCode(int64(sound.Frames()), c.RateHz))
			if c.Path.Together {
				b.WriteString("   Start recording and playing at the same frame, as a workstation does in one pass.\n")
			}
		}
		for k, i := range p.Items(c) {
			if i.Unmarked {
				total += 12 * float64(p.Repeats)
				fmt.Fprintf(&b, "   Terminate the input with %g ohm, play nothing, record 12 s as %s-%s.wav, %s (add -2, -3 … to the name)\n", c.Path.SourceOhm, c.FileName(), i.Test, times(p.Repeats))
				continue
			}
			fmt.Fprintf(&b, "     %s  %s\n", measure.TimeCode(int64(begins[k]), c.RateHz), i.Test)
		}
		b.WriteByte('\n')
	}
	fmt.Fprintf(&b, "In all %s of playing. Then: boothbench bench read %s RECORDING… --out sheet.json\n", measure.TimeCode(int64(total), 1), p.Name)
	return b.String(), nil
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return dsp.Plural(n, "time")
}
