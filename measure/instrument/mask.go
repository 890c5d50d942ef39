package instrument

import (
	"fmt"
	"math"
)

// Mask bounds a gain in dB over frequency. It has corner points in the order of their
// frequencies, with straight lines between them over the logarithm of frequency. Two points of
// equal frequency make a step. Beyond the points there is no bound.
type Mask []MaskPoint

// MaskPoint is a corner of a Mask. A bound may be infinite: ±math.Inf.
type MaskPoint struct{ Hz, MinDB, MaxDB float64 }

// Check reports why a mask bounds nothing.
func (m Mask) Check() error {
	if len(m) < 2 {
		return fmt.Errorf("found a mask of %d points; accepted: two or more", len(m))
	}
	bounded := false
	for i, p := range m {
		switch {
		case !(p.Hz > 0) || math.IsInf(p.Hz, 0), i > 0 && p.Hz < m[i-1].Hz:
			return fmt.Errorf("point %d of the mask: found %g Hz; accepted: frequencies above 0 that rise", i+1, p.Hz)
		case !(p.MinDB <= p.MaxDB), math.IsInf(p.MinDB, 1), math.IsInf(p.MaxDB, -1):
			return fmt.Errorf("point %d of the mask: found %g to %g dB; accepted: a minimum up to the maximum", i+1, p.MinDB, p.MaxDB)
		}
		bounded = bounded || !math.IsInf(p.MinDB, 0) || !math.IsInf(p.MaxDB, 0)
	}
	if !bounded {
		return fmt.Errorf("found a mask without a bound; accepted: at least one finite minimum or maximum")
	}
	return nil
}

// At are the bounds at a frequency. At a step both sides apply. Between two points of which one
// has an infinite bound there is no bound.
func (m Mask) At(hz float64) (least, most float64) {
	least, most = math.Inf(-1), math.Inf(1)
	for i := 1; i < len(m); i++ {
		a, b := m[i-1], m[i]
		if hz < a.Hz || hz > b.Hz {
			continue
		}
		if a.Hz == b.Hz {
			continue // the adjacent lines end here
		}
		share := math.Log(hz/a.Hz) / math.Log(b.Hz/a.Hz)
		least = max(least, onLine(a.MinDB, b.MinDB, share, -1))
		most = min(most, onLine(a.MaxDB, b.MaxDB, share, 1))
	}
	return least, most
}

func onLine(a, b, share float64, open int) float64 {
	switch {
	case share <= 0:
		return a
	case share >= 1:
		return b
	case math.IsInf(a, 0) || math.IsInf(b, 0):
		return math.Inf(open)
	}
	return (1-share)*a + share*b
}
