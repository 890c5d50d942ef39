package spectra

import (
	"fmt"
	"math"
)

func HzText(hz float64) string {
	if hz >= 1000 {
		return fmt.Sprintf("%g kHz", math.Round(hz)/1000)
	}
	return fmt.Sprintf("%g Hz", math.Round(hz*100)/100)
}
