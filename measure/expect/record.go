package expect

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// baselinePath is the path of a file's baseline: under the file's path relative to the
// folder that holds the folder of baselines, or under the file's name alone where the
// file is elsewhere.
func baselinePath(dir, file string) string {
	return filepath.Join(dir, filepath.FromSlash(subjectIn(dir, file))+".json")
}

// onPlatform is a folder of baselines in whose name {os} and {arch} stand for the
// platform, as Go names it: a sound that differs by platform has one baseline on each.
func onPlatform(dir string) string {
	return strings.NewReplacer("{os}", runtime.GOOS, "{arch}", runtime.GOARCH).Replace(dir)
}

// subjectIn is the name of a file in a folder of baselines.
func subjectIn(dir, file string) string {
	home := filepath.Dir(placeOf(dir))
	inside, err := filepath.Rel(home, placeOf(file))
	if err != nil || inside == ".." || strings.HasPrefix(inside, ".."+string(filepath.Separator)) {
		return filepath.Base(file)
	}
	return filepath.ToSlash(inside)
}

// Recording is what recording a file as right does.
type Recording struct {
	File    string
	Path    string // of the baseline
	State   RecordState
	Change  string // how the file differs from what was recorded, "" for a new one
	History int    // how many recordings there are then

	baseline *Baseline
}

// RecordState is the state of a file relative to its baseline.
type RecordState int

// The states. A kept file meets the usual limits, and its baseline stays as it is.
const (
	Kept RecordState = iota
	New
	Changed
)

// PlanRecording compares files with their baselines: which files are new, and which have
// changed beyond the usual limits, and how. With all set, any change counts.
func PlanRecording(ctx context.Context, dir string, files []string, all bool) ([]Recording, error) {
	var plan []Recording
	taken := map[string]string{}
	for _, file := range files {
		r := Recording{File: file, Path: baselinePath(dir, file)}
		if other, twice := taken[r.Path]; twice {
			if placeOf(other) == placeOf(file) {
				continue
			}
			return nil, fmt.Errorf("%s and %s would have one baseline, %s, since they lie outside the folder that holds %s: record them into different folders", other, file, r.Path, dir)
		}
		taken[r.Path] = file
		reader, err := wave.Open(file)
		if err != nil {
			return nil, err
		}
		reader.Close()
		if at := slices.IndexFunc(reader.Warnings(), func(w wave.Warning) bool { return w.Lost }); at >= 0 {
			w := reader.Warnings()[at]
			return nil, fmt.Errorf("%s: at byte %d: %s; accepted: whole files, since check fails others: restore it, or write what is left to a file of its own", w.Path, w.Offset, w.Found)
		}
		now, err := fingerprintOf(ctx, File(file).until(ctx))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		r.baseline = &Baseline{SchemaVersion: BaselineSchema, Subject: subjectIn(dir, file), Fingerprint: *now}
		before, err := LoadBaseline(dir, file)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			r.State = New
		case err != nil:
			return nil, err
		default:
			if err := r.against(ctx, before, all); err != nil {
				return nil, fmt.Errorf("%s: %w", file, err)
			}
		}
		plan = append(plan, r)
	}
	return plan, nil
}

// against compares the file with its baseline.
func (r *Recording) against(ctx context.Context, before *Baseline, all bool) error {
	r.baseline.History, r.History = before.History, len(before.History)
	if before.RateHz != r.baseline.RateHz || before.Channels != r.baseline.Channels {
		r.State = Changed
		r.Change = fmt.Sprintf("has %s at %d Hz, and had %d at %d Hz", dsp.Plural(r.baseline.Channels, "channel"), r.baseline.RateHz, before.Channels, before.RateHz)
		return nil
	}
	c, err := before.changeOf(ctx, File(r.File).until(ctx))
	if err != nil {
		return err
	}
	if r.Change = c.sentence(); r.Change == "" {
		return nil
	}
	for _, limit := range before.Limits() {
		if all || measure.Judge(r.File, 0, c.readings(), limit).Verdict != measure.Pass {
			r.State = Changed
		}
	}
	if r.State == Kept && !c.same() {
		r.Change = c.onlyNoise()
	}
	return nil
}

// Record records the new and changed files of a plan, with one reason, all or none. The
// caller holds the folder (see wave.HoldFolder) from before the plan is made.
func Record(dir string, plan []Recording, why string, at time.Time) error {
	if strings.TrimSpace(why) == "" {
		return errors.New("a baseline needs a reason; accepted: a line that says why the sound is right")
	}
	var outputs []wave.Output
	defer func() {
		for _, o := range outputs {
			o.(*wave.File).Abort()
		}
	}()
	for i := range plan {
		r := &plan[i]
		if r.State == Kept {
			continue
		}
		r.baseline.History = append(r.baseline.History, Reason{at.UTC().Format("2006-01-02"), why, r.Change, r.baseline.SamplesSHA256})
		r.History = len(r.baseline.History)
		text, err := json.MarshalIndent(r.baseline, "", " ")
		if err != nil {
			return err
		}
		if err := wave.MakeFolder(filepath.Dir(r.Path)); err != nil {
			return err
		}
		out, err := wave.CreateFile(r.Path, true, []string{r.File})
		if err != nil {
			return err
		}
		outputs = append(outputs, out)
		if _, err := out.Write(append(text, '\n')); err != nil {
			return err
		}
	}
	if len(outputs) == 0 {
		return nil
	}
	return wave.CommitTogether(outputs...)
}

// RecordBaseline records one file as right, with the reason. The reasons of earlier
// recordings are kept. The baseline of a file that has not changed stays as it is.
func RecordBaseline(ctx context.Context, dir, file, why string, at time.Time) (*Baseline, error) {
	if err := wave.MakeFolder(dir); err != nil {
		return nil, err
	}
	release, err := wave.HoldFolder(ctx, dir)
	if err != nil {
		return nil, err
	}
	defer release()
	plan, err := PlanRecording(ctx, dir, []string{file}, true)
	if err != nil {
		return nil, err
	}
	if err := Record(dir, plan, why, at); err != nil {
		return nil, err
	}
	return LoadBaseline(dir, file)
}

// Orphans lists the baselines in a folder whose files no longer exist. Baselines of files
// outside, which are stored by name alone, are not listed.
func Orphans(dir string) ([]string, error) {
	var orphans []string
	err := eachBaseline(dir, func(path, inside string) {
		if _, err := os.Stat(fileOfBaseline(dir, inside)); errors.Is(err, fs.ErrNotExist) && strings.Contains(inside, "/") {
			orphans = append(orphans, path)
		}
	})
	return orphans, err
}

// eachBaseline calls f with the path of each baseline in a folder that lies where its file's
// path says, and with that path inside the folder.
func eachBaseline(dir string, f func(path, inside string)) error {
	// The separator: a link to a folder is walked too.
	return filepath.WalkDir(dir+string(filepath.Separator), func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() || !strings.HasSuffix(path, ".json") {
			return err
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		b, err := parseBaseline(path, text)
		if err != nil {
			return nil // no baseline of this version: none of ours to judge
		}
		if inside, err := filepath.Rel(dir, strings.TrimSuffix(path, ".json")); err == nil && filepath.ToSlash(inside) == b.Subject {
			f(path, b.Subject)
		}
		return nil
	})
}

// fileOfBaseline is where the file of a baseline lies, unless it is outside of the folder
// that holds the folder of baselines.
func fileOfBaseline(dir, inside string) string {
	return filepath.Join(filepath.Dir(placeOf(dir)), filepath.FromSlash(inside))
}
