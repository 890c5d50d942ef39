package season

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/conversation"
)

// Conversed is the measurement of one conversation: the delays and bleeds of its microphones in
// the takes, and the mix of the outputs.
type Conversed struct {
	Name string `json:"name"`
	*conversation.Conversation
	// LinkedLUFS is the loudness of linked outputs as one programme.
	LinkedLUFS *float64 `json:"linked_lufs,omitempty"`
	Mix        *Mixed   `json:"mix,omitempty"`
}

// isBelow reports whether a name is that of a file below the season's folder.
func isBelow(name string) bool { return fs.ValidPath(name) && name != "." }

// doUnit makes the takes of a unit: a single take, or those of a conversation. Then it measures
// and mixes the conversation.
func (w *worker) doUnit(ctx context.Context, unit []Take, done func(Outcome)) {
	number := w.plan.conversationOf(unit[0])
	if number < 0 {
		done(w.do(ctx, unit[0]))
		return
	}
	c := &w.plan.Conversations[number]
	var outcomes []Outcome
	if c.Linked && w.plan.Target != nil && !w.plan.AsOneProgramme {
		outcomes = w.doLinked(ctx, c, unit)
	} else {
		for _, t := range unit {
			outcomes = append(outcomes, w.do(ctx, t))
		}
	}
	ready := true
	for _, o := range outcomes {
		done(o)
		ready = ready && (o.State == Made || o.State == WasDone)
	}
	if ready && (!w.plan.AsOneProgramme || w.solved != nil) {
		done(w.converse(ctx, c, outcomes))
	}
}

// doLinked delivers the takes of a conversation with one gain. If the receipt of one take does
// not hold, all are made again.
func (w *worker) doLinked(ctx context.Context, c *Conversation, unit []Take) []Outcome {
	key := w.plan.linkedKey(c)
	outcomes := make([]Outcome, len(unit))
	held, failed := 0, 0
	for i, t := range unit {
		outcomes[i] = Outcome{Take: t, State: WasDone}
		holds := receipt.HoldsByTimes
		if w.settings.ByContent {
			holds = receipt.Holds
		}
		r, _, err := holds(key, t.Path, w.plan.output(t))
		if err == nil && r != nil {
			outcomes[i].Receipt = r
			if held++; r.Failure != "" {
				outcomes[i].State, outcomes[i].Err = Failed, errors.New(r.Failure)
				failed++
			}
		}
	}
	if held == len(unit) && (failed == 0 || !w.settings.Again) {
		return outcomes
	}
	// The step of the first take makes the outputs of all.
	first := step{key: key, output: w.plan.output, state: Made, anew: true} // its own receipt may hold while another's does not
	receipts := make([]*receipt.Receipt, len(unit))
	first.make = func(ctx context.Context, _ Take, _ string, r *receipt.Receipt) error {
		return w.deliverLinked(ctx, key, unit, r, receipts)
	}
	o := w.doStep(ctx, unit[0], first)
	for i, t := range unit {
		switch {
		case i == 0:
			outcomes[0] = o
		case o.Err != nil && o.State == Failed:
			outcomes[i] = w.fail(Outcome{Take: t}, first, o.Err)
		case o.Err != nil:
			outcomes[i] = Outcome{Take: t, State: o.State, Err: o.Err}
		default:
			outcomes[i] = Outcome{Take: t, State: Made, Receipt: receipts[i]}
		}
	}
	return outcomes
}

// linkedKey is the key of the takes of a linked conversation. It contains their names, since
// the gain depends on all of them.
func (p *Plan) linkedKey(c *Conversation) receipt.Key {
	key := p.key(p.ChainText)
	key.Options += ", linked " + strings.Join(c.Takes, " ")
	return key
}

// deliverLinked delivers takes as one programme and writes the receipts of all but the first.
// The receipt of the first is the commit, written last.
func (w *worker) deliverLinked(ctx context.Context, key receipt.Key, unit []Take, first *receipt.Receipt, receipts []*receipt.Receipt) error {
	var jobs []tune.Job
	for i, t := range unit {
		r := first
		if i > 0 {
			r = &receipt.Receipt{Key: key, Readings: map[string]*float64{}}
			var err error
			if r.Input, err = receipt.Of(t.Path); err != nil {
				return err
			}
			if err := os.MkdirAll(filepath.Dir(w.plan.output(t)), 0o777); err != nil {
				return &wave.OutputError{Path: w.plan.output(t), Doing: "make its folder", Err: err}
			}
		}
		receipts[i] = r
		jobs = append(jobs, tune.Job{In: t.Path, Out: w.plan.output(t), Keep: !isOwn(w.plan.output(t))})
	}
	d, err := w.deliverJobs(ctx, jobs)
	for _, j := range jobs {
		if j.Keep && errors.Is(err, wave.ErrExists) && strings.Contains(err.Error(), j.Out) {
			return &ForeignError{j.Out}
		}
	}
	if err != nil {
		return err
	}
	for i, t := range unit {
		if err := w.noteDelivered(ctx, d, i, receipts[i]); err != nil || i == 0 {
			if err != nil {
				return err
			}
			continue
		}
		if receipts[i].Output, err = written(w.plan.output(t)); err != nil {
			return &wave.OutputError{Path: w.plan.output(t), Doing: "read it again", Err: err}
		}
		if err := receipts[i].Write(); err != nil {
			return err
		}
	}
	return nil
}

// conversationKey is the key of the files made from a whole conversation. It contains the
// digests of all takes and outputs.
func (p *Plan) conversationKey(c *Conversation, receipts []*receipt.Receipt) (receipt.Key, error) {
	text, err := json.Marshal(c)
	options := "conversation " + string(text)
	for _, r := range receipts {
		options += ", " + r.Input.SHA256 + " " + r.Output.SHA256
	}
	key := p.key(p.ChainText)
	key.Options += ", " + digest([]byte(options))
	return key, err
}

// converse measures the takes of a conversation, and mixes its outputs.
func (w *worker) converse(ctx context.Context, c *Conversation, outcomes []Outcome) Outcome {
	o := Outcome{Take: Take{Path: outcomes[0].Path, Output: c.reportName()}, State: Stopped, Conversation: true}
	var receipts []*receipt.Receipt
	for _, one := range outcomes {
		receipts = append(receipts, one.Receipt)
	}
	key, err := w.plan.conversationKey(c, receipts)
	if err != nil {
		o.Err = err
		return o
	}
	make := func(ctx context.Context, _ Take, out string, _ *receipt.Receipt) error {
		return w.makeConversation(ctx, c, key, receipts, out)
	}
	anew := false
	if c.Mix != nil {
		r, _, err := receipt.HoldsByTimes(key, o.Path, w.plan.output(Take{Output: c.mixName()}))
		anew = err != nil || r == nil // the mix is missing: make report and mix
	}
	o = w.doStep(ctx, o.Take, step{key: key, output: w.plan.output, make: make, state: Made, anew: anew})
	o.Conversation = true
	return o
}

func (w *worker) makeConversation(ctx context.Context, c *Conversation, key receipt.Key, receipts []*receipt.Receipt, out string) error {
	found := Conversed{Name: c.Name, LinkedLUFS: receipts[0].Readings[linkedLUFS]}
	var microphones []conversation.Microphone
	names := takeNames(receipts)
	for i, r := range receipts {
		reader, err := wave.Open(r.Input.Path)
		if err != nil {
			return err
		}
		channels := reader.Format().Channels
		reader.Close()
		microphones = append(microphones, conversation.Channels(names[i], channels, func() (wave.Source, error) { return wave.Open(r.Input.Path) })...)
	}
	var err error
	if found.Conversation, err = conversation.Measure(ctx, microphones, nil); err != nil {
		return err
	}
	if c.Mix != nil {
		if found.Mix, err = w.mix(ctx, c); err != nil {
			return err
		}
		mixed := w.plan.output(Take{Output: c.mixName()})
		r := &receipt.Receipt{Key: key, Input: receipts[0].Input}
		if r.Output, err = written(mixed); err != nil {
			return &wave.OutputError{Path: mixed, Doing: "read it again", Err: err}
		}
		if err := r.Write(); err != nil {
			return err
		}
	}
	text, err := json.MarshalIndent(found, "", " ")
	if err != nil {
		return err
	}
	return publish(out, append(text, '\n'))
}

// ConversationRow is the row of one conversation in a table.
type ConversationRow struct {
	Name  string `json:"name"`
	State State  `json:"state"`
	Note  string `json:"note,omitempty"`
	// UnequalLengths states the lengths of the takes where these differ; "": they do not.
	UnequalLengths string     `json:"unequal_lengths,omitempty"`
	Found          *Conversed `json:"found,omitempty"` // nil: not done
}

// gatherConversation reads the report of a conversation.
func (p *Plan) gatherConversation(c *Conversation, key receipt.Key, verify bool) (row ConversationRow, err error) {
	row = ConversationRow{Name: c.Name, State: Missing, Note: "it waits for its takes"}
	if c.Linked && p.Target != nil && !p.AsOneProgramme {
		key = p.linkedKey(c)
	}
	var receipts []*receipt.Receipt
	for _, output := range c.Takes {
		r, _, err := receipt.HoldsByTimes(key, p.paths[output], p.output(Take{Output: output}))
		if err != nil || r == nil || r.Failure != "" {
			return row, nil
		}
		receipts = append(receipts, r)
	}
	row.Note = "no share has measured it yet"
	row.UnequalLengths = unequalLengths(receipts)
	key, err = p.conversationKey(c, receipts)
	if err != nil {
		return row, err
	}
	names := []string{c.reportName()}
	if c.Mix != nil {
		names = append(names, c.mixName())
	}
	for _, name := range names {
		out := p.output(Take{Output: name})
		r, _, err := receipt.HoldsByTimes(key, receipts[0].Input.Path, out)
		switch {
		case err != nil || r == nil:
			return row, nil
		case r.Failure != "":
			row.State, row.Note = Failed, r.Failure
			return row, nil
		case verify:
			if same, err := sameBytes(out, r); err != nil || !same {
				row.State, row.Note = Corrupt, fmt.Sprintf("%s does not hold the bytes that were written", name)
				return row, err
			}
		}
	}
	text, err := os.ReadFile(p.output(Take{Output: c.reportName()}))
	if err != nil {
		return row, err
	}
	row.Found = &Conversed{}
	if err := json.Unmarshal(text, row.Found); err != nil {
		return row, err
	}
	row.State, row.Note = Made, ""
	if m := row.Found.Mix; m != nil {
		row.Note = m.Missed
	}
	return row, nil
}

// leastUnequalSeconds is by how much takes must differ in length: two recorders that one person
// stops differ by about as much. (own choice)
const leastUnequalSeconds = 0.1

// unequalLengths states the lengths of takes that do not end together. What was cut off, or a
// recorder that stopped, shows so.
func unequalLengths(receipts []*receipt.Receipt) string {
	var parts []string
	shortest, longest := math.Inf(1), math.Inf(-1)
	names := takeNames(receipts)
	for i, r := range receipts {
		if d := r.Readings["duration_s"]; d != nil {
			shortest, longest = min(shortest, *d), max(longest, *d)
			parts = append(parts, fmt.Sprintf("%s %.1f s", names[i], *d))
		}
	}
	if !(longest-shortest >= leastUnequalSeconds) {
		return ""
	}
	return "the takes differ in length: " + strings.Join(parts, ", ")
}

// takeNames are the names of takes, each of its own.
func takeNames(receipts []*receipt.Receipt) []string {
	var paths []string
	for _, r := range receipts {
		paths = append(paths, r.Input.Path)
	}
	return wave.DistinctNames(paths)
}
