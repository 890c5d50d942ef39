package dsp

// DelaySettings describes a delay that is an effect: it is not latency, and the
// engine does not trim it.
type DelaySettings struct {
	DelayMs  float64 // rounded to whole frames
	Channels []int   // channels, counted from 1; empty: all
}

type delay struct {
	lines []DelayLine // empty for channels that pass unchanged
	mask  []bool
}

// NewDelay builds a delay for a rate in Hz and a number of channels. Errors are
// *SettingError.
func NewDelay(s DelaySettings, rate, channels int) (Processor, error) {
	if err := checkFormat(rate, channels); err != nil {
		return nil, err
	}
	if err := checkRange("delay_ms", s.DelayMs, 0, 10_000, "ms"); err != nil {
		return nil, err
	}
	mask, err := chosen(s.Channels, channels)
	if err != nil {
		return nil, err
	}
	d := &delay{lines: make([]DelayLine, channels), mask: mask}
	for c := range d.lines {
		if mask[c] {
			d.lines[c] = NewDelayLine(Frames(s.DelayMs, rate))
		}
	}
	return d, nil
}

func (d *delay) Process(b Block) {
	mustFit(b, len(d.mask))
	for c, plane := range b {
		if d.mask[c] {
			d.lines[c].Process(plane)
		}
	}
}

func (d *delay) Latency() int { return 0 }

func (d *delay) Reset() {
	for c := range d.lines {
		d.lines[c].Reset()
	}
}
