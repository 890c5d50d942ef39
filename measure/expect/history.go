package expect

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"time"

	"github.com/boothbench/boothbench/measure"
)

// HistorySchema is the version of a history's lines. Version 1 held values alone.
const HistorySchema = 2

// HistoryRun is one run of limits: one line of a history.
type HistoryRun struct {
	SchemaVersion int    `json:"schema_version"`
	Time          string `json:"time"`            // UTC, RFC 3339
	Label         string `json:"label,omitempty"` // what was judged, such as a commit
	Passed        bool   `json:"passed"`
	Limits        int    `json:"limits"`
	NotMet        int    `json:"not_met"`
	// Readings are by subject and name. The name of a reading at a chain's output includes
	// the chain: "integrated_lufs through voice.toml".
	Readings map[string]map[string]HistoryReading `json:"readings"`
	Errors   map[string]string                    `json:"errors,omitempty"` // of subjects that could not be measured
}

// HistoryReading is one reading of a run and its limit.
type HistoryReading struct {
	Value   *float64 `json:"value"` // nil: not measurable
	Unit    string   `json:"unit,omitempty"`
	Min     *float64 `json:"min,omitempty"`
	Max     *float64 `json:"max,omitempty"`
	Verdict string   `json:"verdict"` // "": not kept
	Reason  string   `json:"reason,omitempty"`
}

// UnmarshalJSON reads a reading, or the bare value of version 1.
func (r *HistoryReading) UnmarshalJSON(text []byte) error {
	if !bytes.HasPrefix(bytes.TrimSpace(text), []byte("{")) {
		return json.Unmarshal(text, &r.Value)
	}
	type plain HistoryReading
	return json.Unmarshal(text, (*plain)(r))
}

// HistoryLine is a run as one line of JSON, for a file to which each build appends its
// own line.
func HistoryLine(r Run, label string, at time.Time) ([]byte, error) {
	line := HistoryRun{SchemaVersion: HistorySchema, Time: at.UTC().Format(time.RFC3339), Label: label, Passed: r.Passed(), Readings: map[string]map[string]HistoryReading{}}
	for _, j := range r.Results() {
		line.Limits++
		if j.Verdict != measure.Pass {
			line.NotMet++
		}
	}
	for _, c := range r.Checked {
		if c.Err != nil {
			if line.Errors == nil {
				line.Errors = map[string]string{}
			}
			line.Errors[c.Subject] = c.Err.Error()
		}
		for i, j := range c.Judgements {
			name := j.Reading
			if i < len(c.by) && c.by[i] < len(r.Groups) && r.Groups[c.by[i]].Through != "" {
				name += " through " + filepath.Base(r.Groups[c.by[i]].Through)
			}
			if line.Readings[c.Subject] == nil {
				line.Readings[c.Subject] = map[string]HistoryReading{}
			}
			known, again := line.Readings[c.Subject][name]
			line.Readings[c.Subject][name] = historyReading(j).with(known, again)
		}
	}
	text, err := json.Marshal(line)
	return append(text, '\n'), err
}

func historyReading(j measure.Judgement) HistoryReading {
	h := HistoryReading{Unit: j.Got.UnitText(), Min: asInJSON(j.Min), Max: asInJSON(j.Max), Verdict: j.Verdict.String(), Reason: j.Got.Reason}
	if j.Got.Measurable() {
		h.Value = asInJSON(&j.Got.Value)
	}
	return h
}

// asInJSON is a value with the digits that JSON has.
func asInJSON(v *float64) *float64 {
	if v == nil {
		return nil
	}
	x := measure.JSONValue(*v)
	return &x
}

// with joins two limits of one reading: the narrower bounds, the worse verdict.
func (h HistoryReading) with(other HistoryReading, known bool) HistoryReading {
	if !known {
		return h
	}
	if h.Min == nil || other.Min != nil && *other.Min > *h.Min {
		h.Min = other.Min
	}
	if h.Max == nil || other.Max != nil && *other.Max < *h.Max {
		h.Max = other.Max
	}
	if h.Verdict == measure.Pass.String() {
		h.Verdict = other.Verdict
	}
	return h
}

// ReadHistory reads the runs of a history, the oldest first, whatever their order: a
// merge of branches may have mixed them. A line that holds no run is an error with its
// number; name stands for the file in it.
func ReadHistory(name string, from io.Reader) ([]HistoryRun, error) {
	var runs []HistoryRun
	lines := bufio.NewReader(from)
	for n := 1; ; n++ {
		text, err := lines.ReadBytes('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		if len(bytes.TrimSpace(text)) > 0 {
			run, wrong := parseHistoryRun(text)
			if wrong != nil {
				return nil, fmt.Errorf("%s:%d: %w", name, n, wrong)
			}
			runs = append(runs, run)
		}
		if err != nil {
			break
		}
	}
	if len(runs) == 0 {
		return nil, fmt.Errorf("%s: found no run; accepted: lines as check --history adds them", name)
	}
	SortHistory(runs)
	return runs, nil
}

// SortHistory sorts runs by time. Runs of the same time keep their order.
func SortHistory(runs []HistoryRun) {
	slices.SortStableFunc(runs, func(a, b HistoryRun) int { return a.at().Compare(b.at()) })
}

func (r HistoryRun) at() time.Time {
	at, _ := time.Parse(time.RFC3339, r.Time) // was parsed when it was read
	return at
}

func parseHistoryRun(text []byte) (HistoryRun, error) {
	var run HistoryRun
	if err := json.Unmarshal(text, &run); err != nil {
		return run, fmt.Errorf("found no run of check --history: %w; remove the line, or restore the file", err)
	}
	if run.SchemaVersion < 1 || run.SchemaVersion > HistorySchema {
		return run, fmt.Errorf("found schema_version %d, accepted: 1 to %d", run.SchemaVersion, HistorySchema)
	}
	if _, err := time.Parse(time.RFC3339, run.Time); err != nil {
		return run, fmt.Errorf("time: found %q, accepted: a time such as 2026-11-25T12:00:00Z", run.Time)
	}
	return run, nil
}

// IsHistory reports whether a file begins as a history does, to keep a run from being
// appended to another kind of file. An empty file counts as a history.
func IsHistory(begins []byte) bool {
	begins = bytes.TrimLeft(begins, " \t\r\n")
	return len(begins) == 0 || bytes.HasPrefix(begins, []byte(`{"schema_version":`))
}
