package tune

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/take"
)

// Take is a take's name and the function that opens it.
type Take struct {
	Name string
	Open func() (wave.Source, error)
}

// ProposeSettings are the options of Propose; the zero value is the usual one.
type ProposeSettings struct {
	// Room is a recording of the room alone, used for takes without pauses.
	Room *Take
	// Keep holds fixed values by stage and key: "expander.threshold_dbfs": "-45". Values that
	// depend on them are adapted.
	Keep map[string]string
	// PredictOnly skips the run of the proposed chain: the damage is then predicted by the
	// model alone.
	PredictOnly bool
	// Progress is called from time to time with the current step, the take and the number of
	// its frames read so far.
	Progress func(step string, take int, frames int64)
}

// Propose finds settings of a chain for takes, and the effect of that chain on them. Where a
// take gives too little evidence for a stage, the stage is off, and the reason is stated.
// Several takes have one proposal; where their floors differ by more than 3 dB the error is a
// *NoProposal.
func Propose(ctx context.Context, takes []Take, s ProposeSettings) (*ProposedChain, error) {
	if len(takes) == 0 {
		return nil, &NoProposal{"no take was given"}
	}
	if err := checkKept(s.Keep); err != nil {
		return nil, err
	}
	watch := func(step string, k int) func(wave.Source) wave.Source {
		return func(src wave.Source) wave.Source { return &countedSource{src, s.Progress, step, k, 0} }
	}
	var all []*takeAnalysis
	for k, t := range takes {
		a, err := analyseTake(ctx, t.Name, t.Open, watch("analysis", k), s.PredictOnly)
		if err != nil {
			return nil, ofTake(t.Name, err)
		}
		if len(a.inspection.Floors) == 0 {
			return nil, &NoProposal{fmt.Sprintf("%s: %s", t.Name, a.inspection.Findings[0].What)}
		}
		all = append(all, a)
	}
	p := &ProposedChain{keep: s.Keep, used: map[string]bool{}}
	if s.Room != nil {
		if err := p.useRoom(ctx, all, *s.Room, watch); err != nil {
			return nil, err
		}
	}
	if err := sameFloors(all); err != nil {
		return nil, err
	}
	if err := p.propose(ctx, all, s.PredictOnly, watch); err != nil {
		return nil, err
	}
	names := make([]string, len(all))
	for k, a := range all {
		names[k] = a.name
	}
	if err := p.write(strings.Join(names, ", ")); err != nil {
		return nil, err
	}
	for k, a := range all {
		d := a.damage()
		if s.PredictOnly {
			d.predict(a, p, p.predicted[k])
		} else {
			if err := d.measure(ctx, a, p.Chain, watch("run of the proposed chain", k)); err != nil {
				return nil, ofTake(a.name, err)
			}
		}
		p.Takes = append(p.Takes, *d)
	}
	return p, nil
}

// ofTake adds the take's name to an error that does not begin with it.
func ofTake(name string, err error) error {
	if strings.HasPrefix(err.Error(), name+":") {
		return err
	}
	return fmt.Errorf("%s: %w", name, err)
}

// countedSource reports how many frames of a source were read.
type countedSource struct {
	wave.Source
	progress func(step string, take int, frames int64)
	step     string
	take     int
	frames   int64
}

func (s *countedSource) Read(b dsp.Block) (int, error) {
	n, err := s.Source.Read(b)
	if s.frames += int64(n); s.progress != nil {
		s.progress(s.step, s.take, s.frames)
	}
	return n, err
}

// Close closes the source, if it can be closed.
func (s *countedSource) Close() error {
	if c, ok := s.Source.(interface{ Close() error }); ok {
		return c.Close()
	}
	return nil
}

// oneFloorDB is by how much the floors of takes may differ for one chain.
const oneFloorDB = 3

func sameFloors(all []*takeAnalysis) error {
	var low, high *takeAnalysis
	for _, a := range all {
		if a.undecided != "" {
			continue
		}
		if low == nil || a.noise.pauseDBFS < low.noise.pauseDBFS {
			low = a
		}
		if high == nil || a.noise.pauseDBFS > high.noise.pauseDBFS {
			high = a
		}
	}
	if low != nil && high.noise.pauseDBFS-low.noise.pauseDBFS > oneFloorDB {
		return &NoProposal{fmt.Sprintf("the noise above %d Hz of %s lies at %.1f dBFS, that of %s at %.1f: more than %d dB apart, so one threshold does not fit both. Propose a chain for each, or bring them to one level first",
			sideChainHz, low.name, low.noise.pauseDBFS, high.name, high.noise.pauseDBFS, oneFloorDB)}
	}
	return nil
}

// leastSpeechDB is by how much speech exceeds the noise of a room, both above 150 Hz.
const leastSpeechDB = 10

// confirmedDB is how far apart the noise of a room's recording and that of the pauses may lie for
// the two to count as the same. (own choice)
const confirmedDB = 2

// useRoom uses a recording of the room for takes without pauses, and compares it with takes
// that have some.
func (p *ProposedChain) useRoom(ctx context.Context, all []*takeAnalysis, room Take, watch func(string, int) func(wave.Source) wave.Source) error {
	r, err := analyseTake(ctx, room.Name, room.Open, watch("room", 0), false)
	if err != nil {
		return ofTake(room.Name, err)
	}
	if r.undecided != "" {
		p.Notes = append(p.Notes, fmt.Sprintf("The room recording %s cannot be used: %s.", room.Name, r.undecided))
		return nil
	}
	for _, a := range all {
		switch apart := r.noise.pauseDBFS - a.noise.pauseDBFS; {
		case a.undecided != "":
			p.Notes = append(p.Notes, fmt.Sprintf("%s has no pauses of its own (%s): the noise is that of %s, %.1f dBFS.", a.name, a.undecided, room.Name, r.floorDBFS))
			a.undecided, a.floorDBFS, a.variation, a.seconds, a.noise = "", r.floorDBFS, r.variation, r.seconds, r.noise
			a.active = activityOf(a.tracks.level, a.leastActive())
			a.speechDB = a.active.db - r.noise.pauseDBFS
			a.speech = a.speechDB > leastSpeechDB
		case math.Abs(apart) <= confirmedDB:
			p.Notes = append(p.Notes, fmt.Sprintf("%s confirms the noise of the pauses of %s within %d dB.", room.Name, a.name, confirmedDB))
		default:
			p.Notes = append(p.Notes, fmt.Sprintf("The noise of %s is %+.1f dB relative to the pauses of %s: was it recorded with the same gain? The noise of the pauses is used.", room.Name, apart, a.name))
		}
	}
	return nil
}

// propose sets the stages in the order of the signal.
func (p *ProposedChain) propose(ctx context.Context, all []*takeAnalysis, predictOnly bool, watch func(string, int) func(wave.Source) wave.Source) error {
	corner := p.proposeHighPass(all)
	notches := p.proposeNotches(all, corner)
	for k, a := range all {
		a.tracks.peaks.behind(corner)
		if err := a.readBehind(ctx, notches, watch("analysis without the hum", k)); err != nil {
			return ofTake(a.name, err)
		}
	}
	gains := p.proposeExpander(all)
	peaks, reductions := p.proposeCompressor(all, gains)
	if predictOnly { // a run measures what these predict
		for k := range all {
			p.predicted = append(p.predicted, predictedGains{gains[k], reductions[k], peaks[k]})
		}
	}
	p.proposeTone(all)
	p.proposeDeEsser(all)
	p.proposeLimiter(all, peaks)
	for _, a := range all {
		if a.speaks() && !a.isVoiced() {
			p.Notes = append(p.Notes, fmt.Sprintf("No voice was found in the sound of %s: it is a whisper, or breaths and other sounds without speech. A longer part of the take with a voice shows which.", a.name))
		}
		if a.tracks.of(a.frames) > mostTrackMs {
			p.Notes = append(p.Notes, fmt.Sprintf("%s is longer than %d hours: the expander is set for the first %d hours of it, and the figures of phrases and of lowered speech are theirs.", a.name, mostTrackMs/3_600_000, mostTrackMs/3_600_000))
		}
		if note := a.clipped(); note != "" {
			p.Notes = append(p.Notes, note)
		}
		for c := range a.peaks {
			if why := a.whyIgnored(c); why != "" {
				p.Notes = append(p.Notes, fmt.Sprintf("Channel %d of %s %s: its pauses are not counted.", c+1, a.name, why))
			}
		}
		if low, ok := a.inspection.Readings.Get("softer_speech_dbfs"); ok {
			high, _ := a.inspection.Readings.Get("louder_speech_dbfs")
			p.Notes = append(p.Notes, fmt.Sprintf("%s holds speech at two levels, %.1f and %.1f dBFS: raise the softer by %.1f dB in its own file before the compressor, which does not even out such a difference.", a.name, low.Value, high.Value, high.Value-low.Value))
		}
		if k := slices.IndexFunc(a.inspection.Floors, floorIsTwo); k >= 0 {
			low, _ := a.inspection.Readings.Get("lower_noise_floor_dbfs")
			f := a.inspection.Floors[k]
			p.Notes = append(p.Notes, fmt.Sprintf("%s has two noise floors, %.1f dBFS and %.1f dBFS, the higher %s: the expander is set for the higher, and the figures of the speech count in each part what is audible over its own noise. If the take was joined from recordings of different rooms, propose a chain for each.",
				a.name, low.Value, f.DBFS, take.HigherText(f.Higher, f.Share, a.format.Rate)))
		}
	}
	return nil
}

// clipped describes the clipping that was found in a take; "" where there is none.
func (a *takeAnalysis) clipped() string {
	var found []string
	for _, kind := range []struct{ name, one, many string }{{"clips", "clip", "clips"}, {"flat_tops", "flat top", "flat tops"}} {
		r, _ := a.inspection.Readings.Get(kind.name)
		switch {
		case r.Value == 1:
			found = append(found, "1 "+kind.one)
		case r.Value > 1:
			found = append(found, fmt.Sprintf("%.0f %s", r.Value, kind.many))
		}
	}
	if len(found) == 0 {
		return ""
	}
	return fmt.Sprintf("%s holds %s: no stage of the chain restores what was cut off there. Record again with less gain, or look at each with boothbench inspect.", a.name, strings.Join(found, " and "))
}

// leastVoicedShare is the share of the active sound that is voiced in speech other than a
// whisper. (own choice: in 24 rooms the voices of three sources had 45 % and more, the same as
// whispers 2.5 % at most, and breaths alone 1 %)
const leastVoicedShare = 0.1

// activeSeconds returns the active sound of the whole take: what lies behind the end of its
// tracks counts as what lies within them.
func (a *takeAnalysis) activeSeconds() float64 {
	tracked := len(a.tracks.level)
	if tracked < mostTrackMs {
		return a.active.seconds
	}
	return a.active.seconds * float64(a.tracks.of(a.frames)) / float64(tracked)
}

// isVoiced reports whether the active sound of a take holds a voice. The pitch was read in a
// part of a long take, so it is compared with the active sound of that part.
func (a *takeAnalysis) isVoiced() bool {
	_, seconds := a.pitch.lowest()
	return seconds >= leastVoicedShare*a.spectra.activeSeconds(a.active, a.tracks.level)
}

// confidence returns the confidence in the floors of takes. It is low without a voice, since
// what stands out of the noise may be no speech.
func confidence(all []*takeAnalysis) Confidence {
	c := High
	for _, a := range all {
		switch {
		case a.undecided != "":
		case a.variation > 2 || a.seconds < 1 || a.speechDB < 15 || !a.isVoiced():
			return Low
		case a.seconds < 5 || a.speechDB < 25 || slices.ContainsFunc(a.inspection.Floors, floorIsTwo):
			c = Medium
		}
	}
	return c
}
