package bench

import (
	"strings"

	"github.com/boothbench/boothbench/measure"
)

// calibrated adds the levels in dBu that follow from levels in dBFS. Levels at the path's
// output use the output's calibration, levels at its input the input's. A level at the input is
// never converted with the calibration of the output.
func (p *Path) calibrated(r measure.Readings) measure.Readings {
	var atInput, rest measure.Readings
	for _, n := range r {
		if strings.HasPrefix(n.Name, "maximum_level_dbfs") {
			atInput = append(atInput, n)
		} else {
			rest = append(rest, n)
		}
	}
	if p.InputCalibration != nil {
		atInput = atInput.Calibrated(*p.InputCalibration)
	}
	if p.Calibration != nil {
		rest = rest.Calibrated(*p.Calibration)
	}
	return append(atInput, rest...)
}
