package proof

import (
	"context"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/proof/model"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// answers is an experiment in which the device reads one value and the model another;
// a text stands for a reading that cannot be measured.
func answers(device, model any, claims ...Claim) (experiment, instrument.Device) {
	read := func(v any) measure.Readings {
		r := measure.Readings{}
		switch v := v.(type) {
		case float64:
			r.Add("gain_at_1khz_db", measure.Reading{Value: v, Unit: "dB"})
		case string:
			r.Add("gain_at_1khz_db", measure.Reading{Reason: v, Unit: "dB"})
		}
		return r
	}
	asked := 0
	return experiment{Condition: "a tone", Claims: claims, Model: through{}, Run: func(context.Context, instrument.Device, int) (measure.Readings, error) {
		if asked++; asked == 1 {
			return read(device), nil
		}
		return read(model), nil
	}}, through{}
}

// A claim's reason states what it is judged against, and no claim disappears without a reason.
func TestClaimsStateWhatTheyAreJudgedAgainst(t *testing.T) {
	for _, c := range []struct {
		name          string
		device, model any
		verdict       measure.Verdict // of the line
		says          string          // in its reason, or why nothing is claimed
		unclaimed     bool
	}{
		{"the claim holds", 1.0, 5.0, measure.Pass, "closed form", false},
		{"device and model read the same beside it", 2.0, 2.0, measure.Pass, "moved to 2.00 dB, which a plain model", false},
		{"the model meets it, the device does not", 2.0, 1.0, measure.Fail, "closed form", false},
		{"the device reads what the model does not show", 2.0, "no corner", measure.Fail, "closed form", false},
		{"neither shows it", "no corner", "no corner", 0, "this signal does not show it; for a plain model of the settings: no corner", true},
		{"only the device does not show it", "no corner", 1.0, measure.Undecided, "closed form", false},
	} {
		x, d := answers(c.device, c.model, within("gain_at_1khz_db", 1, 0.1, "closed form"))
		s := &Sheet{RateHz: 48000}
		if err := s.prove(t.Context(), "gain", d, []experiment{x}); err != nil {
			t.Fatal(err)
		}
		switch {
		case len(s.Lines)+len(s.Unclaimed) != 1:
			t.Errorf("%s: %d lines and %d readings without a claim, want one of both", c.name, len(s.Lines), len(s.Unclaimed))
		case c.unclaimed != (len(s.Unclaimed) == 1):
			t.Errorf("%s: %+v %+v", c.name, s.Lines, s.Unclaimed)
		case c.unclaimed && !strings.Contains(s.Unclaimed[0].Reason, c.says):
			t.Errorf("%s: the reason is %q", c.name, s.Unclaimed[0].Reason)
		case !c.unclaimed && (s.Lines[0].Verdict != c.verdict || !strings.Contains(s.Lines[0].Why, c.says)):
			t.Errorf("%s: %s, because of %q", c.name, s.Lines[0].Verdict, s.Lines[0].Why)
		}
	}
}

// A copy has a difference of 0 dB; a window of silence is stated as silence, with its place,
// and fails.
func TestProgrammeSeparatesSilenceFromNoDifference(t *testing.T) {
	p := &programme{channels: 2, chain: model.Chain{}}
	made, err := p.sound(8000, idle)
	if err != nil {
		t.Fatal(err)
	}
	trace := func(b dsp.Block) measure.Judgement {
		r, err := follows(8000, b, made.response)
		if err != nil {
			t.Fatal(err)
		}
		return measure.Judge("copy", 8000, r, measure.Between("programme_gain_trace_db", 0, 0.01))
	}
	if j := trace(made.response); j.Verdict != measure.Pass || j.Got.Value != 0 || !j.Got.Measurable() {
		t.Errorf("of a copy: %s", j)
	}
	broken := dsp.Block{made.response[0], append([]float64(nil), made.response[1]...)}
	clear(broken[1][8000:8400])
	j := trace(broken)
	if j.Verdict != measure.Fail || !strings.Contains(j.String(), "silent for 10 ms from 00:00:01.0") || !strings.Contains(j.String(), "below every limit") {
		t.Errorf("of a copy with 50 ms of silence: %s", j)
	}
}

// The programme that is to stay below every ceiling does, also where a large drive and a low
// ceiling ask for −122 dBFS.
func TestProgrammeStaysBelowLowCeilings(t *testing.T) {
	p := &programme{channels: 1, chain: model.Chain{Settings: []any{dsp.LimiterSettings{CeilingDBTP: -60, DriveDB: 60, LookaheadMs: 3}}}}
	made, err := p.sound(8000, idle)
	if err != nil {
		t.Fatal(err)
	}
	run, err := p.chain.Run(8000, made.sound)
	if err != nil {
		t.Fatal(err)
	}
	if over, _ := p.over(run); over > idle+0.1 {
		t.Errorf("the sound peaks at %.1f dBFS, %.1f dB over the ceiling", stimulus.PeakDBFS(made.sound), over)
	}
}

// An interrupted proof ends after the run under way: no other run begins, nor a model's.
func TestCancelledProofRunsNothingMore(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	runs := 0
	x := experiment{Condition: "a tone", Claims: []Claim{within("gain_at_1khz_db", 1, 0.1, "closed form")}, Model: through{}, Run: func(ctx context.Context, _ instrument.Device, _ int) (measure.Readings, error) {
		runs++
		cancel()
		return nil, ctx.Err()
	}}
	s := &Sheet{RateHz: 48000}
	err := s.proveParts(ctx, []part{{name: "gain", device: through{}, experiments: []experiment{x, x, x}}}, 1, nil)
	if err != context.Canceled || runs != 1 {
		t.Errorf("%d runs and %v, want the one that was under way", runs, err)
	}
}

// prove runs experiments on a device at the sheet's rate and adds their lines. An
// experiment that measures nothing leaves undecided claims, with the reason; one to
// which the device gave a broken response leaves failed ones.
func (s *Sheet) prove(ctx context.Context, stage string, d instrument.Device, experiments []experiment) error {
	for _, x := range experiments {
		o, err := x.outcome(ctx, stage, d, s.RateHz, s.keepCurves)
		if err != nil {
			return err
		}
		s.add(o)
	}
	return nil
}
