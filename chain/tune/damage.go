package tune

import (
	"context"
	"math"
	"runtime"
	"slices"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/take"
)

// Damage is the effect of a proposed chain on a take: measured by a run of the chain, or, where
// Measured is false, predicted by the model alone.
type Damage struct {
	Take     string `json:"take"`
	Measured bool   `json:"measured"`

	SpeechSeconds float64 `json:"speech_seconds"` // of phrases: where speech is at least as strong as the noise
	// Lowered is the share of SpeechSeconds in which the expander attenuates by more than 1 dB.
	Lowered float64 `json:"speech_lowered_share"`
	// Hidden is by how much more, at most, the share may be of all speech: what lies below the
	// noise is in no phrase. It is 0 where speech stands far enough above the noise.
	Hidden float64 `json:"speech_lowered_hidden_share"`
	// Phrases counts stretches of speech whose gaps are under 100 ms: mostly of several words.
	Phrases   int   `json:"phrases"`
	EndsCut   int   `json:"phrase_ends_cut"`   // at least 20 of the last 150 ms are attenuated by over 3 dB
	StartsCut int   `json:"phrase_starts_cut"` // at least 10 of the first 50 ms are attenuated by over 3 dB
	Worst     []Cut `json:"worst"`             // at most three

	CompressorMedianDB float64 `json:"compressor_median_db"`
	CompressorP95DB    float64 `json:"compressor_p95_db"`
	DeEsserMedianDB    float64 `json:"deesser_median_db"`
	DeEsserP95DB       float64 `json:"deesser_p95_db"`
	LimiterMedianDB    float64 `json:"limiter_median_db"`
	LimiterP95DB       float64 `json:"limiter_p95_db"`
	// LimiterOver is the share of the active sound that the limiter reduces by more than 1 dB,
	// where Measured.
	LimiterOver float64 `json:"limiter_over_1_db_share"`

	// Readings of the take and of the output: integrated_lufs and true_peak_dbtp; by the model
	// only the first.
	Before, After measure.Readings `json:"-"`
	FloorBefore   float64          `json:"-"` // dBFS in the pauses; −Inf where there are none
	// FloorAfter is the level in the pauses of the output in dBFS, from 0.4 s after their start
	// where they are long enough.
	FloorAfter float64 `json:"-"`
}

// Cut is a phrase whose end or start is attenuated.
type Cut struct {
	Frame  int64 `json:"frame"` // start of the cut
	End    bool  `json:"end"`   // at the phrase's end; false: at its start
	CutMs  int   `json:"cut_ms"`
	RateHz int   `json:"rate_hz"`
}

// damage returns the Damage of a take with its readings before the chain.
func (a *takeAnalysis) damage() *Damage {
	d := &Damage{Take: a.name, FloorBefore: math.Inf(-1), FloorAfter: math.Inf(-1)}
	if a.undecided == "" {
		d.FloorBefore = a.floorDBFS
	}
	if a.speaks() {
		d.Hidden = hiddenShare(a.speechDB)
	}
	d.Before = a.loudness.Readings()
	return d
}

// hiddenShare returns by how much the lowered share of all speech may exceed that of the speech
// above the noise, by the distance of speech and noise in dB. (in 40 rooms with 8 to 32 dB, with
// all speech down to 21 dB below its active level: 5.2 points more at most under 15 dB, 2.3
// under 22 dB, 0.1 from there on)
func hiddenShare(speechDB float64) float64 {
	switch {
	case speechDB < 15:
		return 0.06
	case speechDB < 22:
		return 0.03
	}
	return 0
}

// predict sets the values that the model predicts.
func (d *Damage) predict(a *takeAnalysis, p *ProposedChain, g predictedGains) {
	d.CompressorMedianDB, d.CompressorP95DB = p.predictedCompression[0], p.predictedCompression[1]
	d.phrases(a, func(ms int) lowering {
		switch gain := g.expanderAt(ms); {
		case gain < -100*cutDB:
			return over3dB
		case gain < -100*loweredDB:
			return over1dB
		}
		return little
	})
	d.FloorAfter = p.predictedFloor(a, g)
	loudness := measure.Reading{Unit: "LUFS", Weighting: "K", Reason: "the take is too short, or too soft"}
	if was, ok := d.Before.Get("integrated_lufs"); ok && !was.Measurable() {
		loudness.Reason = was.Reason
	} else if lufs, ok := p.predictedLoudness(a, g); ok {
		loudness.Value, loudness.Reason = lufs, ""
	}
	d.After.Add("integrated_lufs", loudness)
}

// loweredDB is the attenuation over which speech counts as lowered. (own choice)
const loweredDB = 1

// lowering is a class of attenuation of a millisecond.
type lowering uint8

const (
	little lowering = iota // by at most 1 dB
	over1dB
	over3dB
)

// phrases counts the phrases of a take that the expander attenuates; at states the attenuation
// in each millisecond.
func (d *Damage) phrases(a *takeAnalysis, at func(ms int) lowering) {
	d.SpeechSeconds, d.Lowered, d.Phrases, d.EndsCut, d.StartsCut, d.Worst = 0, 0, 0, 0, 0, nil
	if a.undecided != "" {
		return
	}
	cut := func(edge word, least int, end bool) bool {
		ms, first := 0, -1
		for k := edge.from; k < edge.to; k++ {
			if at(k) == over3dB {
				if ms++; first < 0 {
					first = k
				}
			}
		}
		if ms < least {
			return false
		}
		d.Worst = append(d.Worst, Cut{a.tracks.start(first), end, ms, a.format.Rate})
		return true
	}
	lowered, total := 0, 0
	for _, w := range a.phrases() {
		d.Phrases++
		for k := w.from; k < w.to; k++ {
			if total++; at(k) != little {
				lowered++
			}
		}
		if cut(w.end(), leastEndCutMs, true) {
			d.EndsCut++
		}
		if cut(w.start(), leastStartCutMs, false) {
			d.StartsCut++
		}
	}
	d.SpeechSeconds = float64(total) / 1000
	d.Lowered = float64(lowered) / float64(max(1, total))
	slices.SortStableFunc(d.Worst, func(x, y Cut) int { return y.CutMs - x.CutMs })
	d.Worst = d.Worst[:min(3, len(d.Worst))]
}

// measure runs the chain on the take and sets the measured values.
func (d *Damage) measure(ctx context.Context, a *takeAnalysis, c *chain.Chain, watch func(wave.Source) wave.Source) error {
	e, err := c.Prepare(a.format.Rate, a.format.Channels)
	if err != nil {
		return err
	}
	src, err := a.open()
	if err != nil {
		return err
	}
	src = watch(src)
	defer src.(*countedSource).Close()
	meters, err := newOutputMeters(a)
	if err != nil {
		return err
	}
	// Each millisecond counts with the expander's lowest gain in it.
	intervals := a.tracks.start(len(a.tracks.level))/int64(max(1, dsp.Frames(1, a.format.Rate))) + 1
	lowered, limited := make([]lowering, 0, intervals), make([]bool, 0, intervals)
	oneDB, threeDB := dsp.DBToAmplitude(-loweredDB), dsp.DBToAmplitude(-cutDB)
	interval := max(1, dsp.Frames(1, a.format.Rate))
	plan := e.Plan()
	g := chain.NewGains(0)
	g.Each = func(stage int, name string, _ int, lowest []float64) { // each gain has a slice of its own
		switch kind := plan[stage].Kind; {
		case kind == "limiter" && name == plan[stage].Name && len(limited) < cap(limited):
			limited = append(limited, slices.Min(lowest) < oneDB)
		case kind == "expander" && len(lowered) < cap(lowered):
			by := little
			switch gain := slices.Min(lowest); {
			case gain < threeDB:
				by = over3dB
			case gain < oneDB:
				by = over1dB
			}
			lowered = append(lowered, by)
		}
	}
	if _, err := e.Run(ctx, src, meters, chain.Options{Gains: g, Workers: runtime.GOMAXPROCS(0)}); err != nil {
		return err
	}
	d.Measured = true
	for _, s := range g.Stages() {
		switch stage := plan[s.Stage]; stage.Kind {
		case "compressor":
			d.CompressorMedianDB, d.CompressorP95DB = s.Reduction.MedianDB, s.Reduction.P95DB
		case "de-esser":
			d.DeEsserMedianDB, d.DeEsserP95DB = s.Reduction.MedianDB, s.Reduction.P95DB
		case "limiter":
			if s.Name == stage.Name {
				d.LimiterMedianDB, d.LimiterP95DB = s.Reduction.MedianDB, s.Reduction.P95DB
			}
		}
	}
	d.LimiterOver = a.active.shareOf(a.tracks.level, func(ms int) bool {
		k := int(a.tracks.start(ms)) / interval
		return k < len(limited) && limited[k]
	})
	d.phrases(a, func(ms int) lowering {
		if k := int(a.tracks.start(ms)) / interval; k < len(lowered) {
			return lowered[k]
		}
		return little
	})
	d.After = append(meters.loudness.Readings(), meters.peaks.Readings()...)
	meters.endHop()
	d.FloorAfter = meters.floor.db(a.format.Rate)
	return nil
}

// outputMeters is the sink of a run. It measures loudness, true peak, and the level in the
// pauses.
type outputMeters struct {
	a        *takeAnalysis
	loudness *measure.Loudness
	peaks    *measure.TruePeak
	audible  *dsp.Cascade // 20 Hz to 20 kHz, the band of the take's floor
	work     dsp.Block
	at       int64
	channel  int // the noisiest channel
	run      pauseRun
	sum      float64 // of the squares in the current hop
	frames   int     // in sum
	floor    pauseFloor
}

func newOutputMeters(a *takeAnalysis) (*outputMeters, error) {
	fs := float64(a.format.Rate)
	band := dsp.ButterworthHighPass(4, 20, fs)
	if fs > 2*20_000 {
		band = append(band, dsp.ButterworthLowPass(4, 20_000, fs)...)
	}
	m := &outputMeters{a: a, audible: dsp.NewCascade(band, 1), work: dsp.NewBlock(1, 4096), channel: a.noisiest()}
	if m.channel >= 0 {
		m.run = pauseRun{floor: a.inspection.Floors[m.channel], hop: -1}
	}
	var err error
	if m.loudness, err = measure.NewLoudness(measure.LoudnessSettings{Rate: a.format.Rate, Channels: a.format.Channels, ChannelMask: a.format.ChannelMask}); err != nil {
		return nil, err
	}
	m.peaks, err = measure.NewTruePeak(a.format.Rate, a.format.Channels)
	return m, err
}

// Format is that of the take, not quantised.
func (m *outputMeters) Format() wave.Format {
	return wave.Unquantised(m.a.format.Rate, m.a.format.Channels)
}

// nearPause reports whether a hop is in a pause or shortly before one. The high-pass has to
// settle before a pause and is not needed elsewhere.
func (m *outputMeters) nearPause(hop int) bool {
	const settleHops = 8 // 200 ms: four periods of 20 Hz
	for k := range settleHops {
		if m.run.floor.IsPause(hop + k) {
			return true
		}
	}
	return false
}

// Write processes the next frames.
func (m *outputMeters) Write(b dsp.Block) error {
	m.loudness.Write(b)
	m.peaks.Write(b)
	if m.channel < 0 {
		return nil
	}
	_, hop := take.PauseFrames(m.a.format.Rate)
	for from := 0; from < b.Frames(); {
		k := int(m.at / int64(hop))
		n := min(b.Frames()-from, 4096, int(int64(k+1)*int64(hop)-m.at))
		x := m.work[0][:n]
		if m.nearPause(k) {
			copy(x, b[m.channel][from:])
			m.audible.Process(dsp.Block{x})
		}
		if inside, _ := m.run.at(k); inside {
			for _, v := range x {
				m.sum += float64(v * v)
			}
			m.frames += n
		}
		from += n
		if m.at += int64(n); m.at == int64(k+1)*int64(hop) {
			m.endHop()
		}
	}
	return nil
}

// endHop adds the sum of a hop to the floor. Adding whole hops makes the result independent of
// the block size.
func (m *outputMeters) endHop() {
	m.floor.add(m.sum, m.frames, m.run.isSettled())
	m.sum, m.frames = 0, 0
}
