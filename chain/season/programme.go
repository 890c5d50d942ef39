package season

import (
	"bytes"
	"context"
	"encoding/gob"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// Programme is the gain of a season as one programme, and how it was found. It is a file in the
// season's folder. It depends on the takes alone, never on the shares.
type Programme struct {
	SchemaVersion int      `json:"schema_version"`
	Analyses      string   `json:"analyses_sha256"` // of all analyses, in the plan's order
	GainDB        float64  `json:"gain_db"`         // of the chain that is being rendered
	AimLUFS       float64  `json:"aim_lufs"`
	ForecastLUFS  float64  `json:"forecast_lufs"`
	ChainText     string   `json:"chain_text"` // with the gain in it
	Renders       []Render `json:"renders"`    // renders measured so far
	Final         bool     `json:"final"`      // LoudnessLUFS is measured, and no other gain comes nearer
	LoudnessLUFS  *float64 `json:"loudness_lufs"`
	RangeLU       *float64 `json:"loudness_range_lu"` // of all outputs together; nil: not measured yet, or too short
	// Missed lists, as sentences, the parts of the target that are not met, because the nearest
	// loudness was accepted or because no gain can change them.
	Missed []string `json:"missed,omitempty"`
	Notes  []string `json:"notes,omitempty"`

	chain *chain.Chain
}

// Render is one rendering of all takes with one gain.
type Render struct {
	GainDB       float64 `json:"gain_db"`
	LoudnessLUFS float64 `json:"loudness_lufs"` // of all outputs as one programme
}

func (p *Plan) programmePath() string { return filepath.Join(p.folder, "programme.json") }

// programme returns the gain found so far; nil: not known yet.
func (p *Plan) programme() (*Programme, error) {
	if !p.AsOneProgramme {
		return nil, nil
	}
	text, err := os.ReadFile(p.programmePath())
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	g := &Programme{}
	if err := json.Unmarshal(text, g); err != nil {
		return nil, fmt.Errorf("%s: no gain of a season: %w; remove it and gather again", p.programmePath(), err)
	}
	g.chain, err = chain.Parse(p.ChainPath, []byte(g.ChainText))
	return g, err
}

// Solve advances a season as one programme by one step, if its takes are ready. Once all are
// analysed it finds the gain. Once all are rendered it measures them as one programme and, if
// they are not near enough, corrects the gain. More is true if the takes must be run again. A
// target that cannot be met is a *tune.Refusal.
func (p *Plan) Solve(ctx context.Context) (g *Programme, more bool, err error) {
	if !p.AsOneProgramme {
		return nil, false, nil
	}
	g, err = p.programme()
	if err != nil {
		return nil, false, err
	}
	takes, all, ready, err := p.analysed()
	if err != nil {
		return nil, false, err
	}
	if !ready {
		if g != nil { // found for takes that have changed since
			err = os.Remove(p.programmePath())
		}
		return nil, true, err
	}
	if g == nil || g.Analyses != all {
		s, err := p.solution(takes, nil)
		if err != nil {
			return nil, false, err
		}
		g = &Programme{SchemaVersion: 1, Analyses: all}
		return g, true, p.keep(g, s)
	}
	if g.Final {
		return g, false, nil
	}
	lufs, spread, ready, err := p.rendered(ctx, g, takes)
	if err != nil || !ready {
		return g, true, err
	}
	if n := len(g.Renders); n > 0 && g.isBest() { // an earlier gain was the nearest, and has been rendered again
		return g, false, p.finish(g, lufs, spread)
	}
	g.Renders = append(g.Renders, Render{g.GainDB, lufs})
	s, err := p.solution(takes, g.Renders)
	if err != nil {
		return nil, false, err
	}
	if s.GainDB != g.GainDB && len(g.Renders) < tune.MostRenders {
		return g, true, p.keep(g, s)
	}
	best := g.best()
	if g.Renders[best].GainDB == g.GainDB {
		return g, false, p.finish(g, lufs, spread)
	}
	if s, err = p.solution(takes, g.Renders[:best]); err != nil {
		return nil, false, err
	}
	return g, true, p.keep(g, s)
}

// finish stores the measurements of the programme, and compares them with the target.
func (p *Plan) finish(g *Programme, lufs float64, spread *float64) error {
	g.Final, g.LoudnessLUFS, g.RangeLU = true, &lufs, spread
	if miss := math.Abs(lufs - g.AimLUFS); miss > 0.1 {
		g.Missed = append(g.Missed, fmt.Sprintf("after %s the loudness is %.3f LUFS, %.3f LU from %.2f", dsp.Plural(len(g.Renders), "render"), lufs, miss, g.AimLUFS))
	}
	if limit := p.Target.RangeMaxLU; limit != nil && spread != nil && *spread > *limit {
		g.Missed = append(g.Missed, fmt.Sprintf("the loudness range of all takes is %.1f LU, over %.4g LU, and a gain does not change it", *spread, *limit))
	}
	return p.write(g)
}

// best returns the index of the render whose loudness is nearest to the aim.
func (g *Programme) best() int {
	best := 0
	for i, r := range g.Renders {
		if math.Abs(r.LoudnessLUFS-g.AimLUFS) < math.Abs(g.Renders[best].LoudnessLUFS-g.AimLUFS) {
			best = i
		}
	}
	return best
}

// isBest reports whether the current gain was already measured and is the nearest.
func (g *Programme) isBest() bool { return g.Renders[g.best()].GainDB == g.GainDB }

// solution solves for all takes, and corrects the gain by the measured renders.
func (p *Plan) solution(takes []analysedTake, renders []Render) (*tune.Solution, error) {
	var analyses []*tune.Analysis
	for _, t := range takes {
		text, err := os.ReadFile(p.analysisOf(t.Take))
		if err != nil {
			return nil, err
		}
		a := &tune.Analysis{}
		if err := a.UnmarshalBinary(text); err != nil {
			return nil, fmt.Errorf("%s: %w", p.analysisOf(t.Take), err)
		}
		analyses = append(analyses, a)
	}
	s, err := tune.Solve(p.chain, *p.Target, analyses...)
	if err != nil {
		return nil, err
	}
	for _, r := range renders {
		if !s.CorrectBy(r.LoudnessLUFS) {
			break
		}
	}
	return s, nil
}

// keep writes the gain of a solution for the shares to render.
func (p *Plan) keep(g *Programme, s *tune.Solution) error {
	text, err := s.ChainText()
	if err != nil {
		return err
	}
	g.GainDB, g.AimLUFS, g.ForecastLUFS, g.ChainText, g.Notes = s.GainDB, s.AimLUFS, s.ForecastLUFS, string(text), s.Notes
	g.Final, g.LoudnessLUFS, g.RangeLU, g.Missed = false, nil, nil, nil
	if s.Missed != "" {
		g.Missed = []string{s.Missed}
	}
	return p.write(g)
}

func (p *Plan) write(g *Programme) error {
	text, err := json.MarshalIndent(g, "", " ")
	if err != nil {
		return err
	}
	return replaceFile(p.programmePath(), append(text, '\n'))
}

// analysedTake is a take and the receipt of its analysis.
type analysedTake struct {
	Take
	digest string
}

// analysed returns the takes with an analysis, and a digest of all analyses. Ready is true once
// every take has one, or has failed.
func (p *Plan) analysed() (takes []analysedTake, all string, ready bool, err error) {
	var sums strings.Builder
	for _, t := range p.Takes {
		r, _, err := receipt.HoldsByTimes(p.key(p.ChainText), t.Path, p.analysisOf(t))
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil, "", false, nil
		case err != nil:
			return nil, "", false, err
		case r == nil:
			return nil, "", false, nil
		case r.Failure != "":
			fmt.Fprintln(&sums, t.Output, "failed")
			continue
		}
		fmt.Fprintln(&sums, t.Output, r.Output.SHA256)
		takes = append(takes, analysedTake{t, r.Output.SHA256})
	}
	return takes, digest([]byte(sums.String())), len(takes) > 0, nil
}

// rendered returns the loudness in LUFS and the range in LU of all outputs as one programme,
// once all exist.
func (p *Plan) rendered(ctx context.Context, g *Programme, takes []analysedTake) (lufs float64, spread *float64, ready bool, err error) {
	var profiles []measure.LoudnessProfile
	for _, t := range takes {
		out := p.output(t.Take)
		r, _, err := receipt.HoldsByTimes(p.key(g.ChainText), t.Path, out)
		switch {
		case err != nil:
			return 0, nil, false, err
		case r == nil:
			return 0, nil, false, nil
		case r.Failure != "":
			continue
		}
		profile, err := p.profileOf(ctx, t.Take, r)
		if err != nil {
			return 0, nil, false, err
		}
		profiles = append(profiles, profile)
	}
	lufs, ok := measure.PooledLoudness(profiles...)
	if !ok {
		return 0, nil, false, errors.New("the outputs have no loudness as one programme: nothing in them is above the loudness gate")
	}
	if lu, ok := measure.PooledRange(profiles...); ok {
		spread = &lu
	}
	return lufs, spread, true, nil
}

// keptProfile is the loudness profile of an output, stored beside the analysis of its take.
type keptProfile struct {
	Output string // digest of the output
	measure.LoudnessProfile
}

func (p *Plan) profilePath(out string) string {
	below, err := filepath.Rel(p.folder, out)
	if err != nil {
		below = filepath.Base(out)
	}
	return filepath.Join(p.folder, ".analysis", below+".loudness")
}

// keepProfile stores the loudness profile of an output, so that gathering reads no sound.
func (p *Plan) keepProfile(out string, profile measure.LoudnessProfile) error {
	f, err := written(out)
	if err != nil {
		return &wave.OutputError{Path: out, Doing: "read it again", Err: err}
	}
	var text bytes.Buffer
	if err := gob.NewEncoder(&text).Encode(keptProfile{f.SHA256, profile}); err != nil {
		return err
	}
	return replaceFile(p.profilePath(out), text.Bytes())
}

// profileOf returns the loudness profile of an output: the stored one if it is of these bytes,
// otherwise measured again.
func (p *Plan) profileOf(ctx context.Context, t Take, r *receipt.Receipt) (measure.LoudnessProfile, error) {
	out := p.output(t)
	if text, err := os.ReadFile(p.profilePath(out)); err == nil {
		var kept keptProfile
		if gob.NewDecoder(bytes.NewReader(text)).Decode(&kept) == nil && kept.Output == r.Output.SHA256 {
			return kept.LoudnessProfile, nil
		}
	}
	reader, err := wave.Open(out)
	if err != nil {
		return measure.LoudnessProfile{}, err
	}
	defer reader.Close()
	f := reader.Format()
	l, err := measure.NewLoudness(measure.LoudnessSettings{Rate: f.Rate, Channels: f.Channels, ChannelMask: f.ChannelMask, Mono: p.Target.Mono})
	if err != nil {
		return measure.LoudnessProfile{}, err
	}
	err = measure.EachBlockBy(ctx, oneGoroutine, reader, l.Write)
	return l.Profile(), err
}
