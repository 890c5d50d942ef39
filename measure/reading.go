package measure

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/dsp"
)

// Reading is a measured number with what it takes to understand it.
type Reading struct {
	Value  float64
	Reason string // why there is no value; "" if there is one
	// Beyond says that a reading without a value lies below every level (−1, as the
	// level of exact zeros) or above every one (+1): a limit can still be held against
	// it.
	Beyond int
	// AtMost is what a reading without a value cannot exceed, where that is known: an upper
	// limit can be held against it. nil: nothing is known.
	AtMost *float64

	Unit       string // "LUFS", "dBTP", …
	Reference  string // what 0 stands for
	Weighting  string // "K", "A", "none", …
	Bandwidth  string // such as "20 Hz to 20 kHz"; "" for the whole band
	Definition string // document and clause
	Bound      string // how far the value may be off, and why
	Frame      int64  // where a largest value lies, −1 for a value of the whole
	Channel    int    // and in which channel, from 0, −1 for all
}

// Measurable reports whether there is a value.
func (r Reading) Measurable() bool { return r.Reason == "" }

// undecided begins the reason of a reading that was measured and still decides nothing.
const undecided = "undecided: "

// String is the value with its unit, or the reason.
func (r Reading) String() string {
	if strings.HasPrefix(r.Reason, undecided) {
		return r.Reason
	}
	if !r.Measurable() {
		return "not measurable: " + r.Reason
	}
	return r.text(0)
}

// text is the value with its unit: two decimals, or as many, up to six, as it takes to
// distinguish the value from 0, and up to ten to show a difference.
func (r Reading) text(difference float64) string {
	decimals := 2
	least := 5e-7
	if difference = math.Abs(difference); difference > 0 && difference < least {
		least = 5e-10
	}
	if math.Abs(r.Value) < least {
		r.Value = 0 // nor −0
	}
	if r.Value == math.Trunc(r.Value) && (counted[r.Unit] || r.Unit == "Hz" || r.Unit == "bit") {
		decimals = 0
	}
	for _, v := range []float64{r.Value, difference} {
		if v = math.Abs(v); v > 0 && v < 0.1 {
			decimals = max(decimals, min(10, 1-int(math.Floor(math.Log10(v)))))
		}
	}
	return strings.TrimSpace(fmt.Sprintf("%.*f %s", decimals, r.Value, unitBehind(r.Value, r.UnitText())))
}

// counted are the units of counts.
var counted = map[string]bool{"channels": true, "frames": true, "claims": true, "samples": true, "events": true, "dropouts": true, "files": true, "findings": true}

// unitBehind is a unit as it stands behind a value: "1 channel", "2 channels".
func unitBehind(value float64, unit string) string {
	if counted[unit] && value == 1 {
		return strings.TrimSuffix(unit, "s")
	}
	return unit
}

// Uncertainty is how far the value may be off, as it stands beside the printed value:
// "at most" for an upper bound, or "±0.03 dB". It is "" where the bound is no number, or no
// more than half of the last digit that is printed. Of a value in percent that is open by
// some dB two decimals count.
func (r Reading) Uncertainty() string {
	if !r.Measurable() {
		return ""
	}
	if strings.Contains(r.Bound, "upper bound") {
		return "at most"
	}
	words := strings.Fields(r.Bound)
	if len(words) < 2 || !strings.HasPrefix(words[0], "±") {
		return ""
	}
	number, alone := strings.CutSuffix(strings.TrimPrefix(words[0], "±"), ",")
	value, _, _ := strings.Cut(r.String(), " ")
	_, decimals, _ := strings.Cut(value, ".")
	if v, err := strconv.ParseFloat(number, 64); err != nil || v <= 0.5*math.Pow10(-len(decimals)) {
		return ""
	}
	if alone {
		return "±" + number
	}
	return "±" + number + " " + strings.TrimRight(words[1], ",;:")
}

// AddBound adds to how far the value may be off.
func (r *Reading) AddBound(text string) {
	if r.Bound != "" {
		text = r.Bound + "; " + text
	}
	r.Bound = text
}

// Values in JSON are rounded to 1e-9 of their unit, from 1000 on to 1e-6. Processors that
// fuse a product into a sum differ in the last digits of a double, and readings by some
// 1e-12 of their value; what a reading means ends far above that.
const jsonSteps, largeSteps, large = 1e9, 1e6, 1000

// JSONValue is a value to the nearest 1e-9, from 1000 on to the nearest 1e-6, and never
// −0: what JSON holds of it.
func JSONValue(value float64) float64 {
	switch {
	case math.Abs(value) > 1e9: // a double has no digits beyond the step here
		return value
	case math.Abs(value) >= large:
		return math.Round(value*largeSteps) / largeSteps
	}
	return math.Round(value*jsonSteps)/jsonSteps + 0
}

// UnitText is the unit as it is printed, with what 0 stands for where its name alone would not say it: a
// level in dBFS is that of a full-scale sine, but where it is a mathematical rms.
func (r Reading) UnitText() string {
	if r.Unit == string(DBFS) && strings.HasPrefix(r.Reference, mathematicalRMS) {
		return string(DBFSRMS)
	}
	return r.Unit
}

// MarshalJSON writes the reading, its value as JSONValue rounds it, and null where there
// is no value.
func (r Reading) MarshalJSON() ([]byte, error) {
	o := struct {
		Value      *float64 `json:"value"`
		Reason     string   `json:"reason,omitempty"`
		AtMost     *float64 `json:"at_most,omitempty"`
		Unit       string   `json:"unit"`
		Reference  string   `json:"reference,omitempty"`
		Weighting  string   `json:"weighting,omitempty"`
		Bandwidth  string   `json:"bandwidth,omitempty"`
		Definition string   `json:"definition,omitempty"`
		Bound      string   `json:"bound,omitempty"`
		Frame      *int64   `json:"frame,omitempty"`
		Channel    *int     `json:"channel,omitempty"`
	}{Reason: r.Reason, Unit: r.UnitText(), Reference: r.Reference, Weighting: r.Weighting, Bandwidth: r.Bandwidth, Definition: r.Definition, Bound: r.Bound}
	if r.AtMost != nil && !r.Measurable() {
		most := JSONValue(*r.AtMost)
		o.AtMost = &most
	}
	if r.Measurable() {
		value := JSONValue(r.Value)
		o.Value = &value
		if value == 0 && r.Unit == "dB" {
			r.Frame, r.Channel = -1, -1 // no difference lies anywhere: its place would be rounding
		}
		if r.Frame >= 0 {
			o.Frame = &r.Frame
		}
		if r.Channel >= 0 {
			channel := r.Channel + 1
			o.Channel = &channel
		}
	}
	return plainJSON(o)
}

// plainJSON is json.Marshal that leaves <, > and & as they are.
func plainJSON(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err := e.Encode(v)
	return bytes.TrimRight(b.Bytes(), "\n"), err
}

// Named is a reading under the name that it has in JSON and in limits.
type Named struct {
	Name string
	Reading
}

// Readings are readings in the order in which they are shown.
type Readings []Named

// Finite replaces values that overflowed, since samples may be any number, by a reason.
func (r Readings) Finite() Readings {
	for i := range r {
		if n := &r[i]; n.Measurable() && n.Value-n.Value != 0 {
			n.Value, n.Reason = 0, "the samples are too large or too small to be computed with"
		}
	}
	return r
}

// commonReason is why nothing of the sound could be measured, where one reason is that of
// all readings; else "".
func (r Readings) commonReason() string {
	for _, n := range r {
		if n.Measurable() || n.Beyond != 0 || n.Reason != r[0].Reason {
			return ""
		}
	}
	if len(r) == 0 {
		return ""
	}
	return r[0].Reason
}

// With is the readings and others whose names are not among them: every name once.
func (r Readings) With(others Readings) Readings {
	all := append(Readings(nil), r...)
	for _, n := range others {
		if _, twice := all.Get(n.Name); !twice {
			all = append(all, n)
		}
	}
	return all
}

// Get returns a reading by its name.
func (r Readings) Get(name string) (Reading, bool) {
	for _, n := range r {
		if n.Name == name {
			return n.Reading, true
		}
	}
	return Reading{}, false
}

// MarshalJSON writes an object, its keys in order.
func (r Readings) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, n := range r {
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, "%q:", n.Name)
		value, err := n.Reading.MarshalJSON()
		if err != nil {
			return nil, err
		}
		b.Write(value)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// mustFit panics where a block has another shape than a meter was made for: that is
// a fault of the program, and not of the sound.
func mustFit(meter string, b dsp.Block, channels int) {
	if err := b.Check(channels); err != nil {
		panic("measure: " + meter + ".Write: " + err.Error())
	}
}

// Add adds a reading of the whole.
func (r *Readings) Add(name string, reading Reading) {
	reading.Frame, reading.Channel = -1, -1
	if reading.Reason != "" {
		reading.Value = 0
	}
	*r = append(*r, Named{name, reading})
}

// AddLevel adds a mean square as a level in dB. One under −240 dB has a reason instead,
// and lies below every limit.
func (r *Readings) AddLevel(name string, power float64, about Reading) {
	if about.Reason == "" && power == 0 {
		about.Reason, about.Beyond = "exactly 0", -1
	}
	if about.Reason == "" {
		about.Value = dsp.PowerToDB(power)
	}
	if about.Reason == "" && about.Value < leastLevelDB {
		about.Reason, about.Beyond = fmt.Sprintf("under %d dB, where a double's rounding begins", leastLevelDB), -1
	}
	r.Add(name, about)
}

// leastLevelDB is the lowest level that is stated. The rounding of 64-bit floating point
// is near −320 dB of full scale a sample; filters and transforms add to it up to −280 dB
// (measured), which differs from one processor to another.
const leastLevelDB = -240

// AddRatio adds a ratio of amplitudes twice, as name_db and as name_percent.
func (r *Readings) AddRatio(name string, ratio float64, about Reading) {
	about.Unit = "dB"
	r.AddLevel(name+"_db", ratio*ratio, about)
	if level := (*r)[len(*r)-1]; !level.Measurable() { // one state of both
		about.Reason, about.Beyond, ratio = level.Reason, level.Beyond, 0
	}
	about.Unit = "%"
	about.Value = 100 * ratio
	about.Bound = percentBound(about.Bound, about.Value)
	r.Add(name+"_percent", about)
}

// percentBound is the bound of a value in %, from one that begins with a ± in dB.
func percentBound(bound string, percent float64) string {
	number, rest, isDB := strings.Cut(strings.TrimPrefix(bound, "±"), " dB")
	db, err := strconv.ParseFloat(number, 64)
	if !isDB || err != nil || !strings.HasPrefix(bound, "±") {
		return bound
	}
	return fmt.Sprintf("±%.2g %%%s", percent*(dsp.DBToAmplitude(db)-1), rest)
}

// AddFrames adds a time as name_frames and as name_ms.
func (r *Readings) AddFrames(name string, frames float64, rate int, about Reading) {
	about.Value, about.Unit = frames, "frames"
	r.Add(name+"_frames", about)
	about.Value, about.Unit = frames*1000/float64(rate), "ms"
	r.Add(name+"_ms", about)
}
