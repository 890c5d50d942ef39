package picture

import "math"

// wobble is an arbitrary curve, the same on every processor: a triangle wave whose
// steepness changes, without the mathematical functions whose last bits differ.
func wobble(i, period int, height float64) float64 {
	k := i % period
	return float64(height*(float64(abs(2*k-period))/float64(period)*2-1)) + float64(i%7)/50
}

func curve(count int, x func(int) float64, y func(int) float64) []Point {
	points := make([]Point, count)
	for i := range points {
		points[i] = Point{x(i), y(i)}
	}
	return points
}

// samples are the nine pictures that this module's pages need, of made-up data as large
// as that of half an hour.
func samples() []Picture {
	const columns = 1000
	seconds := func(i int) float64 { return float64(i) * 1.8 }
	hz := func(i int) float64 { return 20 * (1 + float64(i*i)/1000) }
	long := Axis{Name: "time", Scale: Time, Max: 1800}
	audible := Axis{Name: "frequency", Unit: "Hz", Scale: Log, Min: 20, Max: 20000}
	wave := func(name string, role Role, height float64) Series {
		return Series{Name: name, Role: role, Kind: Envelope,
			Points: curve(columns, seconds, func(i int) float64 { return height * math.Abs(wobble(i*13, 97, 1)) }),
			Lower:  curve(columns, seconds, func(i int) float64 { return -height * math.Abs(wobble(i*11, 89, 1)) })}
	}
	full := Axis{Name: "sample", Min: -1, Max: 1}
	gain := func(name string, period int) Panel {
		return Panel{X: long, Y: Axis{Name: "gain of " + name, Unit: "dB", Min: -18, Max: 6}, Height: 90,
			Series: []Series{{Role: Measured, Points: curve(columns, seconds, func(i int) float64 { return -6 + wobble(i*7, period, 5) })}}}
	}
	return []Picture{
		{Name: "wave", Title: "Wave", Caption: "Two clips; the floor is −62.1 dBFS in the pause at 0:12:00.", Panels: []Panel{{
			X: long, Y: full, Series: []Series{wave("take", Measured, 0.9)},
			Spans: []Span{{"pause", 100, 160}, {"pause", 700, 760}}, Marks: []Mark{{"clip", 400, true}, {"clip", 410, true}, {"floor", 720, true}},
		}}},
		{Name: "gains", Title: "Gain of each stage", Caption: "The compressor took 11.2 dB at most.", Panels: []Panel{
			{X: long, Y: full, Height: 120, Series: []Series{wave("take", Measured, 0.5), wave("processed", Second, 0.3)}},
			gain("expander", 83), gain("compressor", 71), gain("limiter", 61)}},
		{Name: "loudness", Title: "Loudness over time", Caption: "−17.0 LUFS, within 1 LU of the target.", Panels: []Panel{{
			X: long, Y: Axis{Name: "short-term loudness", Unit: "LUFS", Min: -40, Max: -5},
			Bands:  []Band{{"target", []Point{{0, -16}, {1800, -16}}, []Point{{0, -18}, {1800, -18}}}},
			Series: []Series{{Name: "short-term", Kind: Envelope, Points: curve(columns, seconds, func(i int) float64 { return -17 + wobble(i, 50, 4) }), Lower: curve(columns, seconds, func(i int) float64 { return -20 + wobble(i, 50, 4) })}},
			Marks:  []Mark{{"target −17 LUFS", -17, false}},
		}}},
		{Name: "response", Title: "Response", Caption: "Within 0.02 dB of what is declared.", Panels: []Panel{
			{X: audible, Y: Axis{Name: "gain", Unit: "dB", Min: -24, Max: 6}, Series: []Series{
				{Name: "declared", Role: Declared, Points: curve(columns, hz, func(i int) float64 { return -20 / (1 + float64(i)/20) })},
				{Name: "measured", Kind: Dots, Points: curve(60, func(i int) float64 { return hz(i * 15) }, func(i int) float64 { return -20 / (1 + float64(i)*15/20) })}}},
			{X: audible, Y: Axis{Name: "measured less declared", Unit: "dB", Min: -0.1, Max: 0.1}, Height: 100,
				Bands:  []Band{{"tolerance", []Point{{20, 0.05}, {20000, 0.05}}, []Point{{20, -0.05}, {20000, -0.05}}}},
				Series: []Series{{Points: curve(columns, hz, func(i int) float64 { return wobble(i, 90, 0.02) - 0.06 })}}}}},
		{Name: "static", Title: "Static curve", Caption: "4 to 1 above −30 dBFS.", Panels: []Panel{{
			X: Axis{Name: "input", Unit: "dBFS", Min: -60, Max: 0}, Y: Axis{Name: "output", Unit: "dBFS", Min: -60, Max: 0}, Height: 380, Equal: true,
			Series: []Series{
				{Name: "declared", Role: Declared, Points: []Point{{-60, -60}, {-30, -30}, {0, -22.5}}},
				{Name: "measured", Kind: Dots, Points: curve(13, func(i int) float64 { return float64(5*i - 60) }, func(i int) float64 { x := float64(5*i - 60); return min(x, -30+(x+30)/4) })}},
		}}},
		{Name: "over", Title: "The wave between the samples", Caption: "+0.8 dBTP at 0:03:12, where no sample is above −0.2 dBFS.", Panels: []Panel{{
			X: Axis{Name: "time", Scale: Time, Min: 192.1, Max: 192.1 + 32.0/48000}, Y: Axis{Name: "sample", Min: -1.2, Max: 1.2},
			Series: []Series{
				{Name: "between the samples", Role: Second, Points: curve(512, func(i int) float64 { return 192.1 + float64(i)/48000/16 }, func(i int) float64 { return wobble(i, 70, 1.1) })},
				{Name: "samples", Kind: Samples, Points: curve(32, func(i int) float64 { return 192.1 + float64(i)/48000 }, func(i int) float64 { return wobble(i*16, 70, 1.1) })}},
			Marks: []Mark{{"full scale", 1, false}, {"full scale", -1, false}},
		}}},
		{Name: "distortion", Title: "Spectrum of a tone", Caption: "The second harmonic is −62.0 dB below.", Panels: []Panel{{
			X: audible, Y: Axis{Name: "level in a bin of 0.37 Hz", Unit: "dBFS", Min: -160, Max: 0},
			Series: []Series{{Kind: Stems, Points: curve(20000, func(i int) float64 { return 20 + float64(i) }, func(i int) float64 {
				if i == 977 {
					return -3
				}
				return -120 + wobble(i, 31, 8)
			})}},
			Marks: []Mark{{"997 Hz", 997, true}, {"2", 1994, true}, {"3", 2991, true}},
		}}},
		{Name: "bands", Title: "What changed, by third octave", Caption: "+2.1 dB at 4 kHz.", Panels: []Panel{{
			X: audible, Y: Axis{Name: "processed less take", Unit: "dB", Min: -12, Max: 6},
			Series: []Series{{Kind: Bars, Points: curve(30, func(i int) float64 { return 25 * math.Pow(10, float64(i)/10) }, func(i int) float64 { return wobble(i, 17, 5) })}},
		}}},
		{Name: "noise", Title: "Noise", Caption: "−92.3 dBFS, A-weighted.", Panels: []Panel{{
			X: audible, Y: Axis{Name: "level in a bin of 1.5 Hz", Unit: "dBFS", Min: -160, Max: -60},
			Series: []Series{
				{Name: "device 1", Points: curve(3000, hz, func(i int) float64 { return -120 + wobble(i, 41, 10) })},
				{Name: "device 2", Role: Second, Points: curve(3000, hz, func(i int) float64 { return -115 + wobble(i, 43, 10) })},
				{Name: "device 3", Role: Third, Points: curve(3000, hz, func(i int) float64 { return -110 + wobble(i, 47, 10) })},
				{Name: "device 4", Role: Fourth, Points: curve(3000, hz, func(i int) float64 { return -105 + wobble(i, 53, 10) })}},
		}}},
	}
}
