package expect

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// Run is the result of checking files and chains.
type Run struct {
	Checked []Checked
	Groups  []GroupRun
}

// GroupRun is what one group of the limits judged.
type GroupRun struct {
	Name     string // "season.toml:3"
	Subjects int    // files or chains
	Limits   int    // judgements
	Through  string // the chain that its files were run through; "": none
}

func (g GroupRun) String() string {
	return fmt.Sprintf("%s: %s, %s", g.Name, dsp.Plural(g.Subjects, "subject"), dsp.Plural(g.Limits, "judgement"))
}

// Passed reports whether there is a limit, and all limits are met.
func (r Run) Passed() bool {
	for _, c := range r.Checked {
		if !c.Passed() {
			return false
		}
	}
	return len(r.Checked) > 0
}

// Results are the judgements of all subjects. A subject that could not be measured is
// undecided. A run that judged nothing has a single undecided result.
func (r Run) Results() []measure.Judgement {
	var all []measure.Judgement
	for _, c := range r.Checked {
		all = append(all, c.Results()...)
	}
	return atLeastOne(all)
}

// atLeastOne returns an undecided judgement in place of none: a report of a run that
// judged nothing must not read as a success.
func atLeastOne(all []measure.Judgement) []measure.Judgement {
	if len(all) > 0 {
		return all
	}
	return []measure.Judgement{{
		Subject: "limits", Limit: measure.Limit{Reading: measure.EveryReading}, Verdict: measure.Undecided,
		Got: measure.Reading{Reason: "nothing was judged", Frame: -1, Channel: -1},
	}}
}

// Work are the options of a run.
type Work struct {
	Jobs int    // goroutines; less than 1: one
	Done func() // is called after each subject, by one goroutine at a time; nil: is not called
	// Keep is given each artefact to commit or to abort, together with what else the
	// caller writes, by one goroutine at a time; nil: each is committed at once.
	Keep func(*wave.Writer)
}

// Run measures the subjects that Subjects lists, and judges them. The results are in the
// order of the subjects, for any number of jobs.
func (l *Limits) Run(ctx context.Context, named []string, w Work) (Run, error) {
	files, chains, err := l.Subjects(named)
	if err != nil {
		return Run{}, err
	}
	groups := l.groupsOf(files)
	for i, file := range files {
		if err := l.comparesItself(file, groups[i]); err != nil {
			return Run{}, err
		}
	}
	r := Run{Checked: make([]Checked, len(files)+len(chains))}
	var turn sync.Mutex
	var take func(*wave.Writer)
	if w.Keep != nil {
		take = func(artefact *wave.Writer) {
			turn.Lock()
			defer turn.Unlock()
			w.Keep(artefact)
		}
	}
	k := l.keeper(files, take)
	next := 0
	var workers sync.WaitGroup
	for range min(max(1, w.Jobs), max(1, len(r.Checked))) {
		workers.Go(func() {
			for {
				turn.Lock()
				i := next
				next++
				turn.Unlock()
				if i >= len(r.Checked) || ctx.Err() != nil {
					return
				}
				switch {
				case i < len(files):
					r.Checked[i] = l.checkFile(ctx, files[i], groups[i], k)
				case l.ofSheet(chains[i-len(files)]):
					r.Checked[i] = l.CheckSheet(chains[i-len(files)])
				default:
					r.Checked[i] = l.CheckChain(ctx, chains[i-len(files)])
				}
				if w.Done != nil {
					turn.Lock()
					w.Done()
					turn.Unlock()
				}
			}
		})
	}
	workers.Wait()
	if err := ctx.Err(); err != nil {
		return Run{}, err
	}
	if len(named) == 0 {
		r.Checked = append(r.Checked, l.withoutPartner(files, groups)...)
		r.Checked = append(r.Checked, l.withoutFile(files, groups)...)
	}
	r.Groups = l.groupRuns(r.Checked)
	return r, nil
}

// groupsOf lists, for each file, the groups that cover it, by their index in Groups.
func (l *Limits) groupsOf(files []string) [][]int {
	groups := make([][]int, len(files))
	for k, g := range l.Groups {
		places := g.places()
		for i, file := range files {
			if g.covers(placeOf(file), places) {
				groups[i] = append(groups[i], k)
			}
		}
	}
	return groups
}

// withoutPartner returns a failure for each file on the other side of a comparison of
// equal names whose partner was not among the judged files.
func (l *Limits) withoutPartner(files []string, groups [][]int) []Checked {
	var all []Checked
	for k, g := range l.Groups {
		if !g.pairs() {
			continue
		}
		judged := map[string]bool{}
		for i, file := range files {
			if slices.Contains(groups[i], k) {
				judged[filepath.Base(file)] = true
			}
		}
		for _, other := range matching("", g.Like) {
			if !judged[filepath.Base(other)] {
				all = append(all, Checked{Subject: other, Judgements: []measure.Judgement{missingFile(other, "no file of this name is among those that are compared with it")}, groups: []int{k}})
			}
		}
	}
	return all
}

// withoutFile returns a failure for each baseline whose file a group's patterns would find
// if it were there.
func (l *Limits) withoutFile(files []string, groups [][]int) []Checked {
	var all []Checked
	for k, g := range l.Groups {
		if g.Baseline == "" {
			continue
		}
		judged := map[string]bool{}
		for i, file := range files {
			if slices.Contains(groups[i], k) {
				judged[baselinePath(g.Baseline, file)] = true
			}
		}
		// A folder that cannot be read is an error of each file that is compared with it.
		_ = eachBaseline(g.Baseline, func(path, inside string) {
			file := fileOfBaseline(g.Baseline, inside)
			if !judged[path] && g.wouldFind(file) {
				shown := filepath.Join(filepath.Dir(g.Baseline), filepath.FromSlash(inside))
				missing := missingFile(shown, "it has a baseline, and is no longer there")
				missing.Advice = fmt.Sprintf("restore the file, or remove its baseline %s", path)
				all = append(all, Checked{Subject: shown, Judgements: []measure.Judgement{missing}, groups: []int{k}})
			}
		})
	}
	return all
}

// missingFile is the failure of a file that has no partner.
func missingFile(subject, why string) measure.Judgement {
	return measure.Judgement{
		Subject: subject, Limit: measure.AtMost("missing_files", 0), Verdict: measure.Fail,
		Got: measure.Reading{Value: 1, Unit: "files", Definition: why, Frame: -1, Channel: -1},
	}
}

// damagedFile is the failure of a file that has lost sound, whatever its limits are.
func damagedFile(subject string, w wave.Warning) measure.Judgement {
	why := fmt.Sprintf("at byte %d: %s", w.Offset, w.Found)
	return measure.Judgement{
		Subject: subject, Limit: measure.AtMost("damaged_files", 0), Verdict: measure.Fail, Advice: why + "; check the whole file, or write what is left to a file of its own",
		Got: measure.Reading{Value: 1, Unit: "files", Definition: why, Frame: -1, Channel: -1},
	}
}

// hasPartner reports whether the file of the same name exists that a file is compared
// with.
func (g Group) hasPartner(file string) bool {
	_, err := os.Stat(g.likeOf(file))
	return !g.pairs() || err == nil
}

// comparesItself is the error for a file that would be compared with itself, under any
// name: it would never differ.
func (l *Limits) comparesItself(file string, groups []int) error {
	here, err := os.Stat(file)
	if err != nil {
		return nil // reported where the file is read
	}
	for _, k := range groups {
		g := l.Groups[k]
		if g.Like == "" {
			continue
		}
		if other, err := os.Stat(g.likeOf(file)); err == nil && os.SameFile(here, other) {
			return fmt.Errorf("%s:%d: like: %s and %s are one file, which cannot differ; accepted: another file", l.Path, g.Line, file, g.likeOf(file))
		}
	}
	return nil
}

// groupRuns counts what each group judged.
func (l *Limits) groupRuns(checked []Checked) []GroupRun {
	runs := make([]GroupRun, len(l.Groups))
	for k, g := range l.Groups {
		runs[k].Name, runs[k].Through = l.Path, g.Through
		if g.Line > 0 {
			runs[k].Name = fmt.Sprintf("%s:%d", l.Path, g.Line)
		}
	}
	for _, c := range checked {
		for _, k := range c.groups {
			runs[k].Subjects++
		}
		for _, k := range c.by {
			runs[k].Limits++
		}
	}
	return runs
}
