package measure

import (
	"strings"
)

// mathematicalRMS begins the reference of levels for which a full-scale sine is
// −3.01 dBFS; for all others it is 0.
const mathematicalRMS = "mathematical rms"

// Calibrated adds, to each level in dBFS, the same level in dBu: idle_noise_a_dbu after
// idle_noise_a_dbfs.
func (r Readings) Calibrated(c Calibration) Readings {
	all := append(Readings(nil), r...)
	for _, n := range r {
		name, channel, isLevel := strings.Cut(n.Name, "_dbfs")
		if !isLevel || channel != "" && !strings.HasPrefix(channel, "_ch") {
			continue
		}
		unit := DBFS
		if strings.HasPrefix(n.Reference, mathematicalRMS) {
			unit = DBFSRMS
		}
		n.Name, n.Unit, n.Reference = name+"_dbu"+channel, string(DBU), "√0.6 V rms; "+c.String()
		if n.Measurable() {
			l, err := Level{n.Value, unit}.In(DBU, &c)
			if err != nil {
				n.Reason = err.Error()
			}
			n.Value = l.Value
		}
		all = append(all, n)
	}
	return all
}
