package bench

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Curve is the curve that one test yields for one channel: gain over frequency for a sweep,
// output over input for a stepped tone. It comes from the first recording that was read.
type Curve struct {
	Path      string       `json:"path"`
	Condition string       `json:"condition"`
	Test      string       `json:"test"`
	Channel   int          `json:"channel"` // from 1
	X         string       `json:"x"`       // frequency_hz or in_dbfs
	Y         string       `json:"y"`       // gain_db or out_dbfs
	Points    [][2]float64 `json:"points"`
}

// Frequencies of a curve: 24 an octave from 20 Hz to 20 kHz, 1 kHz among them.
const curvePerOctave, curveLowHz, curveHighHz = 24, 20.0, 20000.0

// curvesOf returns the curves of a response; none for a test that yields no curve.
func curvesOf(item Item, rate int, sound instrument.Response) (all []Curve) {
	begin := func(channel int, x, y string) *Curve {
		all = append(all, Curve{item.Path.Name, item.Setting(), item.Test, channel + 1, x, y, [][2]float64{}})
		return &all[len(all)-1]
	}
	switch s := item.Stimulus.Signal.(type) {
	case stimulus.Swept:
		channels, err := instrument.SweepResponse{Sweep: s}.Curves(rate, sound)
		if err != nil {
			return nil // the readings state the reason
		}
		for i, f := range channels {
			c := begin(i, "frequency_hz", "gain_db")
			for k := math.Ceil(curvePerOctave * math.Log2(curveLowHz/1000)); k <= curvePerOctave*math.Log2(curveHighHz/1000); k++ {
				if hz := 1000 * math.Exp2(k/curvePerOctave); hz >= f.Hz[0] && hz <= f.Hz[len(f.Hz)-1] {
					c.add(hz, f.DB(hz))
				}
			}
		}
	case stimulus.SteppedTone:
		for i := range sound.Channels() {
			plane, err := sound.Plane(i)
			if err != nil {
				return nil
			}
			table, err := instrument.StaticCurve{Tone: s}.Table(rate, dsp.Block{plane})
			if err != nil {
				return nil
			}
			c := begin(i, "in_dbfs", "out_dbfs")
			for _, row := range table.Rows {
				c.add(row[0], row[1])
			}
		}
	}
	return all
}

// add adds a point, rounded to 0.001: charts are drawn coarser, and further digits would differ
// between processors. It leaves out −Inf dB, the level of silence, which no chart can show.
func (c *Curve) add(x, y float64) {
	if y-y == 0 {
		c.Points = append(c.Points, [2]float64{math.Round(x*1000) / 1000, math.Round(y*1000) / 1000})
	}
}
