package compare

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// NamedFile is a file and the name by which it finds its counterpart: its base name, or
// its path below a folder.
type NamedFile struct{ Name, Path string }

// Pair are two files of one name.
type Pair struct{ Name, A, B string }

// Pairing is two sets of files paired by name, in the order of their names, with the
// files that have no counterpart.
type Pairing struct {
	Pairs        []Pair
	OnlyA, OnlyB []NamedFile
}

// PairByName pairs files by their names. Two files of one name on one side are an
// error.
func PairByName(a, b []NamedFile) (Pairing, error) {
	var p Pairing
	byName := map[string]string{}
	for _, f := range b {
		if other, taken := byName[f.Name]; taken {
			return p, fmt.Errorf("%s and %s have one name, %s; accepted: names that differ", other, f.Path, f.Name)
		}
		byName[f.Name] = f.Path
	}
	seen := map[string]string{}
	for _, f := range a {
		if other, taken := seen[f.Name]; taken {
			return p, fmt.Errorf("%s and %s have one name, %s; accepted: names that differ", other, f.Path, f.Name)
		}
		seen[f.Name] = f.Path
		if path, found := byName[f.Name]; found {
			p.Pairs = append(p.Pairs, Pair{f.Name, f.Path, path})
		} else {
			p.OnlyA = append(p.OnlyA, f)
		}
	}
	for _, f := range b {
		if _, found := seen[f.Name]; !found {
			p.OnlyB = append(p.OnlyB, f)
		}
	}
	slices.SortFunc(p.Pairs, func(x, y Pair) int { return cmp.Compare(x.Name, y.Name) })
	for _, only := range [][]NamedFile{p.OnlyA, p.OnlyB} {
		slices.SortFunc(only, func(x, y NamedFile) int { return cmp.Compare(x.Name, y.Name) })
	}
	return p, nil
}

// Result is the comparison of a pair, or the reason why there is none.
type Result struct {
	Pair
	Same        bool
	Summary     string
	Differences []Difference
	Readings    measure.Readings
	Err         error // names no file
}

// Pairs compares pairs of files, as many at a time as jobs says, and returns the
// results worst first: those that could not be compared, other sounds, those of which a
// part is missing in B, and then by the level of what is left. done is called, if it is
// not nil, as each pair is finished, one call at a time. Settings.Residual has to be
// nil.
func Pairs(ctx context.Context, pairs []Pair, open func(path string) (wave.Source, error), s Settings, jobs int, done func(Result)) ([]Result, error) {
	if s.Residual != nil {
		return nil, errors.New("the residual of many pairs has no one sink; compare a pair at a time")
	}
	results := make([]Result, len(pairs))
	next := make(chan int)
	var workers sync.WaitGroup
	var one sync.Mutex
	for range max(1, min(jobs, len(pairs))) {
		workers.Add(1)
		go func() {
			defer workers.Done()
			for i := range next {
				results[i] = comparePair(ctx, pairs[i], open, s)
				if done != nil {
					one.Lock()
					done(results[i])
					one.Unlock()
				}
			}
		}()
	}
	for i := range pairs {
		if ctx.Err() != nil {
			break
		}
		next <- i
	}
	close(next)
	workers.Wait()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	slices.SortStableFunc(results, func(x, y Result) int { return cmp.Compare(y.badness(), x.badness()) })
	return results, nil
}

func comparePair(ctx context.Context, p Pair, open func(path string) (wave.Source, error), s Settings) Result {
	opener := func(path string) func() (wave.Source, error) {
		return func() (wave.Source, error) { return open(path) }
	}
	c, err := Sounds(ctx, opener(p.A), opener(p.B), s)
	if err != nil {
		return Result{Pair: p, Err: err}
	}
	return Result{Pair: p, Same: c.Same, Summary: c.Summary(), Differences: c.Differences(), Readings: c.Readings()}
}

// badness is larger for what should be looked at first.
func (r Result) badness() float64 {
	if r.Err != nil {
		return 4000
	}
	if !r.Same {
		return 3000
	}
	if r.Unchanged() {
		return -2000
	}
	worse := 0.0
	if missing, found := r.Readings.Get("missing_ms"); found && missing.Measurable() && missing.Value > 0 {
		worse = 1000
	}
	rest, found := r.Readings.Get("residual_dbfs")
	if !found || !rest.Measurable() {
		return worse - 1000
	}
	return worse + math.Max(-999, rest.Value)
}

// Unchanged reports whether B is A, sample by sample.
func (r Result) Unchanged() bool { return r.Err == nil && r.Same && len(r.Differences) == 0 }
