package tune

import (
	"bytes"
	"fmt"
	"slices"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// A gain does not change a loudness range, but a compressor does. The proposed compressor has
// the lowest of these ratios that reduces the range enough, and at that ratio the highest
// threshold. Thresholds are searched in steps of 6 dB and then to 1 dB. Each try is a run of
// the chain, not a forecast.
var (
	proposedRatios = []float64{2, 3, 4, 6}
	thresholdsDBFS = []float64{-12, -18, -24, -30, -36, -42, -48}
)

// rangeReserveLU is by how much the limiter and the dither may still change the range after a
// try. (own choice)
const rangeReserveLU = 0.1

// Proposal is a change of the chain that reduces a programme's loudness range. It is only
// proposed, never applied without a request.
type Proposal struct {
	Chain         *chain.Chain `json:"-"`
	Stage         string       `json:"stage"`
	ThresholdDBFS float64      `json:"threshold_dbfs"`
	Ratio         float64      `json:"ratio"`
	RangeLU       float64      `json:"loudness_range_lu"` // with the compressor, ahead of the limiter
	Reduction     float64      `json:"p95_reduction_db"`  // of the compressor, over the time in which it reduces

	before *chain.Chain // the original chain
	index  int          // of the compressor in Chain
}

// ChainText returns the proposed chain as a file: the original text, including comments, with
// the compressor added or changed. A chain that does not come from a file is written anew.
func (p *Proposal) ChainText() ([]byte, error) {
	var text []byte
	if numbers := map[string]float64{"threshold_dbfs": p.ThresholdDBFS, "ratio": p.Ratio}; len(p.Chain.Stages) == len(p.before.Stages) {
		text = p.before.TextWith(p.index, numbers)
	} else if was := p.before.Text; was != nil {
		stage := fmt.Appendf(nil, "[[stage]]\nkind = \"compressor\"\nname = %q\nthreshold_dbfs = %g\nratio = %g\n\n", p.Stage, p.ThresholdDBFS, p.Ratio)
		if p.index < len(p.before.Stages) {
			at := stageBegin(was, p.before.Stages[p.index].Line)
			text = slices.Concat(was[:at], stage, was[at:])
		} else {
			text = slices.Concat(was, []byte("\n\n"), stage)
		}
	}
	if again, err := chain.Parse(p.before.Path, text); err == nil && sameSettings(again, p.Chain) {
		return text, nil
	}
	return p.Chain.Format(true)
}

// stageBegin returns where the text of the stage that contains a line (from 1) begins: at its
// header, or at the comment directly above it.
func stageBegin(text []byte, line int) (at int) {
	lines := bytes.SplitAfter(text, []byte("\n"))
	first := min(line, len(lines)) - 1
	for first > 0 && !bytes.HasPrefix(bytes.TrimSpace(lines[first]), []byte("[[stage]]")) {
		first--
	}
	for first > 0 && bytes.HasPrefix(bytes.TrimSpace(lines[first-1]), []byte("#")) {
		first--
	}
	for _, l := range lines[:first] {
		at += len(l)
	}
	return at
}

// boundRange refuses a programme whose loudness range exceeds the target's limit, and proposes
// a compressor that would reduce it.
func (d *delivery) boundRange() error {
	limit := d.target.RangeMaxLU
	if limit == nil {
		return nil
	}
	is, ok := measure.PooledRange(d.solution.forecast.profiles(d.solution.GainDB)...)
	if !ok || is <= *limit {
		return nil
	}
	r := &Refusal{Reason: fmt.Sprintf("the loudness range is %.1f LU, over %.4g LU, and a gain does not change it", is, *limit)}
	best := is
	wanted := *limit - rangeReserveLU
	for _, ratio := range proposedRatios {
		if is/ratio > wanted { // at best, the part over the threshold shrinks by the ratio
			continue
		}
		p, nearest, err := d.proposeRatio(ratio, wanted)
		if err != nil {
			return err
		}
		best = min(best, nearest)
		if p != nil {
			r.Proposal = p
			which := "a compressor ahead of the limiter"
			if len(p.Chain.Stages) == len(p.before.Stages) {
				which = fmt.Sprintf("the stage %q", p.Stage)
			}
			r.Do = fmt.Sprintf("%s with threshold_dbfs = %g and ratio = %g brings it to %.1f LU; it then reduces by %.1f dB (95th percentile of the time in which it reduces)", which, p.ThresholdDBFS, p.Ratio, p.RangeLU, p.Reduction)
			return r
		}
	}
	r.Do = fmt.Sprintf("no compressor that was tried brings it under %.1f LU: ride the level by hand, or accept a wider range", best)
	return r
}

// proposeRatio searches for a threshold. If it finds none, it returns the smallest range that
// it reached.
func (d *delivery) proposeRatio(ratio, limit float64) (p *Proposal, nearest float64, err error) {
	nearest = 1000
	low, high := 0.0, 0.0 // the highest threshold known to be low enough, and one above it that is not
	try := func(threshold float64) (*Proposal, error) {
		t, err := d.compressed(threshold, ratio)
		if err == nil {
			nearest = min(nearest, t.RangeLU)
		}
		return t, err
	}
	for _, threshold := range thresholdsDBFS {
		t, err := try(threshold)
		if err != nil {
			return nil, 0, err
		}
		if t.RangeLU <= limit {
			p, low = t, threshold
			break
		}
		high = threshold
	}
	for p != nil && high-low > 1.5 {
		middle := float64(int((high + low) / 2))
		t, err := try(middle)
		if err != nil {
			return nil, 0, err
		}
		if t.RangeLU <= limit {
			p, low = t, middle
		} else {
			high = middle
		}
	}
	return p, nearest, nil
}

// compressed runs the takes through the chain with a changed compressor, up to the limiter, and
// measures the loudness range.
func (d *delivery) compressed(threshold, ratio float64) (*Proposal, error) {
	changed, stage := withCompression(split(d.chain), threshold, ratio)
	head := split(changed).head()
	p := &Proposal{Chain: changed, Stage: changed.Stages[stage].Name, ThresholdDBFS: threshold, Ratio: ratio, before: d.chain, index: stage}
	var profiles []measure.LoudnessProfile
	for job := range d.jobs {
		take, err := d.open(job)
		if err != nil {
			return nil, err
		}
		gains := chain.NewGains(0)
		profile, err := d.listen(head, take, chain.Options{Gains: gains, Progress: d.progress(Pass{Render: -2}, job)})
		take.Close()
		if err != nil {
			return nil, inTake(d.jobs[job].In, err)
		}
		profiles = append(profiles, profile)
		for _, g := range gains.Stages() {
			if g.Name == p.Stage {
				p.Reduction = max(p.Reduction, g.Reduction.P95DB)
			}
		}
	}
	p.RangeLU, _ = measure.PooledRange(profiles...)
	return p, nil
}

// withCompression returns a chain with another threshold and ratio of the last compressor ahead
// of the limiter. A chain without a compressor gets one.
func withCompression(p parts, threshold, ratio float64) (changed *chain.Chain, stage int) {
	c := *p.chain
	c.Stages, c.Text = slices.Clone(p.chain.Stages), nil
	for i := p.stages - 1; i >= 0; i-- {
		if s, ok := c.Stages[i].Settings.(dsp.CompressorSettings); ok && c.Stages[i].Enabled {
			s.ThresholdDBFS, s.Ratio = threshold, ratio
			c.Stages[i].Settings = s
			return &c, i
		}
	}
	fresh, err := chain.Parse("compressor", fmt.Appendf(nil, "schema = 1\n[[stage]]\nkind = \"compressor\"\nname = \"compressor for the range\"\nthreshold_dbfs = %g\nratio = %g\n", threshold, ratio))
	if err != nil {
		panic(err) // the text is written here
	}
	added := chain.Stage{Kind: "compressor", Name: fresh.Stages[0].Name, Enabled: true, Settings: fresh.Stages[0].Settings}
	c.Stages = slices.Insert(c.Stages, p.stages, added)
	return &c, p.stages
}
