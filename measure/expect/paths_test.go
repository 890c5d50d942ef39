package expect

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// The names of folders hold what shells and patterns treat as special.
var folderNames = []string{"a", "b c", "[season]", "épisodes", "x*y", "deep"}

// spelling is one of the ways in which a path can be written from a folder.
func spelling(t *rapid.T, name, here string) string {
	relative, err := filepath.Rel(here, name)
	if err != nil {
		t.Fatal(err)
	}
	switch rapid.IntRange(0, 3).Draw(t, "spelling") {
	case 0:
		return name
	case 1:
		return relative
	case 2:
		return "." + string(filepath.Separator) + relative
	}
	folder := filepath.Dir(relative)
	return folder + string(filepath.Separator) + "." + string(filepath.Separator) + filepath.Base(relative)
}

// The files that a limits file is about are the same from every working folder, for
// every spelling of its name and of theirs, also through links.
func TestJudgedFilesAreTheSameFromEverywhere(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("its names hold no such characters")
	}
	before, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.Chdir(before) })
	count := 0
	rapid.Check(t, func(t *rapid.T) {
		count++
		top, err := os.MkdirTemp("", "paths")
		if err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(top)
		top = placeOf(top)
		root := filepath.Join(top, "real")
		folders := []string{root}
		for range rapid.IntRange(1, 4).Draw(t, "folders") {
			in := rapid.SampledFrom(folders).Draw(t, "in")
			if dir := filepath.Join(in, rapid.SampledFrom(folderNames).Draw(t, "folder")); !slices.Contains(folders, dir) {
				folders = append(folders, dir)
			}
		}
		for _, dir := range folders {
			if err := os.MkdirAll(dir, 0o777); err != nil {
				t.Fatal(err)
			}
			for _, name := range []string{"ep1.wav", "ep2.wav", "take.wav", "ep.txt"} {
				text := []byte(nil)
				if strings.HasSuffix(name, ".wav") {
					text = quietWAV
				}
				if err := os.WriteFile(filepath.Join(dir, name), text, 0o666); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := os.Symlink("real", filepath.Join(top, "link")); err != nil {
			t.Fatal(err)
		}
		// The limits file is in one folder and is about the episodes of another: which
		// they are is known without any pattern.
		home, about := rapid.SampledFrom(folders).Draw(t, "home"), rapid.SampledFrom(folders).Draw(t, "about")
		pattern, err := filepath.Rel(home, about)
		if err != nil {
			t.Fatal(err)
		}
		if rapid.Bool().Draw(t, "absolute") {
			pattern = about
		}
		var quoted strings.Builder // the folder is meant as it is spelt
		for _, r := range pattern {
			if strings.ContainsRune(`*?[\`, r) {
				quoted.WriteByte('\\')
			}
			quoted.WriteRune(r)
		}
		prefix := quoted.String() + "/"
		if pattern == "." {
			prefix = rapid.SampledFrom([]string{"", "./"}).Draw(t, "here")
		}
		text := fmt.Sprintf("schema = 1\n[[expect]]\nfiles = ['%sep?.wav']\ntrue_peak_dbtp = { max = -1 }\n", prefix)
		limits := filepath.Join(home, "limits.toml")
		if err := os.WriteFile(limits, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		want := []string{filepath.Join(about, "ep1.wav"), filepath.Join(about, "ep2.wav")}
		for k := range 4 {
			here := rapid.SampledFrom(append(slices.Clone(folders), top)).Draw(t, "here")
			if err := os.Chdir(here); err != nil {
				t.Fatal(err)
			}
			through := func(name string) string { // sometimes by the link
				if rapid.Bool().Draw(t, "link") {
					name = strings.Replace(name, root, filepath.Join(top, "link"), 1)
				}
				return name
			}
			l, err := Load(spelling(t, through(limits), here))
			if err != nil {
				t.Fatal(err)
			}
			files, _, err := l.Subjects(nil)
			if err != nil {
				t.Fatal(err)
			}
			if k == 0 {
				run, err := l.Run(t.Context(), nil, Work{})
				if err != nil || !run.Passed() || len(run.Results()) != len(want) || run.Groups[0].Limits != len(want) {
					t.Fatalf("from %s: %+v, %v", here, run, err)
				}
			}
			places := make([]string, len(files))
			for i, file := range files {
				places[i] = placeOf(file)
			}
			if slices.Sort(places); !slices.Equal(places, want) {
				t.Fatalf("from %s: %q; want %q", here, places, want)
			}
			for _, dir := range folders {
				for _, name := range []string{"ep1.wav", "take.wav", "ep7.wav"} { // the last one is not there
					file := spelling(t, through(filepath.Join(dir, name)), here)
					covered := dir == about && name != "take.wav"
					if name == "ep7.wav" && isPattern(pattern) {
						continue // a folder that has to be looked for does not say what is missing in it
					}
					if got := l.Groups[0].Covers(file); got != covered {
						t.Fatalf("from %s, %s: covered is %t", here, file, got)
					}
				}
			}
		}
	})
	t.Logf("%d layouts, 4 working folders each", count)
}

// quietWAV is a file of 16 frames of -40 dBFS at 48 kHz, one channel of 16 bits.
var quietWAV = func() []byte {
	text := append([]byte("RIFF\x44\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00\x80\xbb\x00\x00\x00\x77\x01\x00\x02\x00\x10\x00data\x20\x00\x00\x00"), make([]byte, 32)...)
	text[44], text[45] = 0x48, 0x01 // 328 of 32768
	return text
}()

// Whatever a limits file says and however it is called: what judges nothing is an error
// or a failure in every format, and what passes has judged every named file, each by every
// group that is about it.
func TestNothingJudgedNeverPasses(t *testing.T) {
	top := placeOf(t.TempDir())
	for _, name := range []string{"a/ep1.wav", "a/ep2.wav", "b/ep1.wav", "b/notes.txt", "empty.wav"} {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(top, name)), 0o777); err != nil {
			t.Fatal(err)
		}
		text := quietWAV
		if name == "empty.wav" {
			text = nil
		}
		if err := os.WriteFile(filepath.Join(top, name), text, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	passed, refused, failed := 0, 0, 0
	check := func(t *rapid.T) {
		text := "schema = 1\n"
		often := func(usual string, others ...string) []string {
			return append([]string{usual, usual, usual, usual, usual, usual, usual, usual}, others...)
		}
		for range rapid.SampledFrom([]int{0, 1, 1, 1, 1, 1, 2, 2, 3}).Draw(t, "groups") {
			text += "[[expect]]\n"
			if rapid.Bool().Draw(t, "patterns") {
				text += "files = [" + strings.Join(rapid.SliceOfN(rapid.SampledFrom([]string{`"a/*.wav"`, `"b/*.wav"`, `"*/ep1.wav"`, `"none*.wav"`, `"A/*.wav"`, `"*.wav"`, `"b/../a/ep2.wav"`, `"c/*"`}), 1, 2).Draw(t, "files"), ", ") + "]\n"
			}
			text += rapid.SampledFrom(often("", "like = \"a/*.wav\"\n", "like = \"b/ep1.wav\"\n", "baseline = \"nobase\"\n", "through = \"none.toml\"\n", "chain = \"none.toml\"\n")).Draw(t, "key")
			text += rapid.SampledFrom(often("true_peak_dbtp = { max = 0 }\n", "", "true_peak_dbtp = { max = nan }\n", "changed_samples = { max = 0 }\n", "claims_failed = { max = 0 }\n", "hum_hz = { max = 100 }\n", "sample_peak_dbfs = { max = -90 }\n")).Draw(t, "limit")
		}
		named := rapid.SliceOfN(rapid.SampledFrom([]string{"a/ep1.wav", "a/ep2.wav", "b/ep1.wav", "b/notes.txt", "empty.wav", "none.wav", "b"}), 0, 2).Draw(t, "named")
		for i := range named {
			named[i] = filepath.Join(top, named[i])
		}
		l, err := Parse(filepath.Join(top, "limits.toml"), []byte(text))
		var run Run
		if err == nil {
			run, err = l.Run(t.Context(), named, Work{})
		}
		if err != nil {
			refused++
			return
		}
		judged := 0
		for _, c := range run.Checked {
			judged += len(c.Judgements)
		}
		if judged == 0 && run.Passed() {
			t.Fatalf("%s\n%q: nothing is judged, and it passes", text, named)
		}
		if run.Passed() {
			passed++
			for _, c := range run.Checked {
				for _, k := range c.groups {
					if !slices.Contains(c.by, k) {
						t.Fatalf("%s\n%q: %s passes, and group %d judged nothing of it", text, named, c.Subject, k)
					}
				}
			}
			for _, name := range named {
				if !slices.ContainsFunc(run.Checked, func(c Checked) bool { return placeOf(c.Subject) == placeOf(name) }) {
					t.Fatalf("%s\n%q: %s is named and not judged", text, named, name)
				}
			}
			return
		}
		failed++
		var junit, tap, summary, annotations strings.Builder
		WriteJUnit(&junit, run, fixedTime)
		WriteTAP(&tap, run.Results())
		WriteSummary(&summary, run)
		WriteAnnotations(&annotations, run.Results())
		line, _ := HistoryLine(run, "", fixedTime)
		if !strings.Contains(junit.String(), "<failure") && !strings.Contains(junit.String(), "<error") || !strings.Contains(tap.String(), "\nnot ok ") ||
			!strings.Contains(summary.String(), "Limits are not met") || annotations.Len() == 0 || !strings.Contains(string(line), `"passed":false`) {
			t.Fatalf("%s\n%q: it fails, but not in\n%s\n%s\n%s\n%s\n%s", text, named, &junit, &tap, &summary, &annotations, line)
		}
	}
	// One case in ten passes, so that a hundred have none of a kind once in thousands of runs;
	// then they are drawn again.
	for range 5 {
		if rapid.Check(t, check); passed > 0 && failed > 0 && refused > 0 {
			break
		}
	}
	t.Logf("%d passed, %d failed, %d refused", passed, failed, refused)
	if !testing.Short() && (passed == 0 || failed == 0 || refused == 0) { // a fifth of the cases may lack a kind
		t.Errorf("%d passed, %d failed, %d were refused: the cases are not of every kind", passed, failed, refused)
	}
}

// A file that is its own like, under whatever name, cannot differ: that is an error.
func TestLikeMustBeAnotherFile(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "ep1.wav")
	if err := os.WriteFile(file, quietWAV, 0o666); err != nil {
		t.Fatal(err)
	}
	likes := []string{"ep1.wav", "./ep1.wav", "ep*.wav", "../" + filepath.Base(dir) + "/ep1.wav"}
	if os.Link(file, filepath.Join(dir, "hard.wav")) == nil {
		likes = append(likes, "hard.wav")
	}
	if os.Symlink("ep1.wav", filepath.Join(dir, "soft.wav")) == nil {
		likes = append(likes, "soft.wav")
	}
	for _, like := range likes {
		l, err := Parse(filepath.Join(dir, "limits.toml"), []byte("schema = 1\n[[expect]]\nlike = '"+like+"'\nresidual_dbfs = { max = 0 }\n"))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := l.Run(t.Context(), []string{file}, Work{}); err == nil || !strings.Contains(err.Error(), "are one file, which cannot differ") {
			t.Errorf("like = %s: %v", like, err)
		}
		if c := l.CheckFile(t.Context(), file); c.Passed() || c.Err == nil {
			t.Errorf("like = %s: %+v", like, c)
		}
	}
}

// One file under two names is judged once, and a run that judges nothing fails in
// every format.
func TestRunThatJudgesNothingFails(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "ep1.wav")
	writeWAV(t, file, [][]float64{testsound.Noise(48000, 0.1, 1)})
	if err := os.Symlink("ep1.wav", filepath.Join(dir, "ep2.wav")); err != nil {
		t.Skip(err)
	}
	parse := func(text string) *Limits {
		l, err := Parse(filepath.Join(dir, "limits.toml"), []byte("schema = 1\n"+text))
		if err != nil {
			t.Fatal(err)
		}
		return l
	}
	l := parse("[[expect]]\nfiles = [\"*.wav\", \"ep1.wav\"]\ntrue_peak_dbtp = { max = -1 }\n")
	run, err := l.Run(t.Context(), nil, Work{Jobs: 2})
	if err != nil || !run.Passed() || len(run.Checked) != 1 || run.Groups[0].Subjects != 1 || run.Groups[0].Limits != 1 {
		t.Errorf("%+v, %v", run, err)
	}
	if got, want := run.Groups[0].String(), l.Path+":2: 1 subject, 1 judgement"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	// Where files are named, a group of other files or of a chain judges nothing and says so;
	// a pattern that finds no file at all is an error.
	own := "[[expect]]\nfiles = [\"ep1.wav\"]\ntrue_peak_dbtp = { max = -1 }\n[[expect]]\n"
	for _, other := range []string{"files = [\"paths_other*.wav\"]\ntrue_peak_dbtp = { max = -1 }\n", "chain = \"voice.toml\"\nclaims_failed = { max = 0 }\n"} {
		l := parse(own + other)
		run, err := l.Run(t.Context(), []string{file}, Work{})
		if strings.HasPrefix(other, "files") {
			if err == nil || !strings.Contains(err.Error(), l.Path+":5: ") || !strings.Contains(err.Error(), "paths_other*.wav") {
				t.Errorf("%s: %v", other, err)
			}
			copied, err := os.ReadFile(file)
			if err == nil {
				err = os.WriteFile(filepath.Join(dir, "paths_other1.wav"), copied, 0o644)
			}
			if err != nil {
				t.Fatal(err)
			}
			run, err = l.Run(t.Context(), []string{file}, Work{})
			if err != nil {
				t.Fatal(err)
			}
		} else if err != nil {
			t.Fatal(err)
		}
		if got, want := run.Groups[1].String(), l.Path+":5: 0 subjects, 0 judgements"; got != want || !run.Passed() {
			t.Errorf("%s: %s, want %s; %+v", other, got, want, run)
		}
	}
	none := &Limits{Path: "limits.toml"}
	run, err = none.Run(t.Context(), nil, Work{})
	if err != nil || run.Passed() || len(run.Results()) != 1 || run.Results()[0].Verdict != measure.Undecided {
		t.Errorf("no group: %+v, %v", run, err)
	}
	if (Checked{Subject: "x"}).Passed() {
		t.Error("a file without a judgement passes")
	}
	var junit, tap strings.Builder
	WriteJUnit(&junit, Run{}, fixedTime)
	WriteTAP(&tap, nil)
	if !strings.Contains(junit.String(), `errors="1"`) || !strings.Contains(tap.String(), "1..1\nnot ok 1") {
		t.Errorf("nothing is a success in\n%s\n%s", &junit, &tap)
	}
}

// Files of two folders pair by their names; one without a partner on either side fails.
func TestRunPairsFilesByName(t *testing.T) {
	dir := t.TempDir()
	voice := [][]float64{make([]float64, 24000)}
	for n := range voice[0] {
		voice[0][n] = 0.1 * math.Sin(float64(n*n%7919))
	}
	for _, name := range []string{"old/ep1.wav", "old/ep2.wav", "old/gone.wav", "new/ep1.wav", "new/ep2.wav", "new/fresh.wav"} {
		if err := os.MkdirAll(filepath.Join(dir, filepath.Dir(name)), 0o777); err != nil {
			t.Fatal(err)
		}
		writeWAV(t, filepath.Join(dir, name), voice)
	}
	l, err := Parse(filepath.Join(dir, "limits.toml"), []byte("schema = 1\n[[expect]]\nfiles = [\"new/*.wav\"]\nlike = \"old/*.wav\"\nresidual_dbfs = { max = -120 }\n"))
	if err != nil {
		t.Fatal(err)
	}
	run, err := l.Run(t.Context(), nil, Work{Jobs: 2})
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for _, c := range run.Checked {
		passed := "passes"
		if !c.Passed() {
			passed = c.Judgements[0].Sentence()
		}
		rel, _ := filepath.Rel(dir, c.Subject)
		got[filepath.ToSlash(rel)] = strings.ReplaceAll(passed, dir+string(filepath.Separator), "")
	}
	for name, want := range map[string]string{
		"new/ep1.wav": "passes", "new/ep2.wav": "passes",
		"new/fresh.wav": "new/fresh.wav: missing_files is 1 file, limit at most 0 files: there is no old" + string(filepath.Separator) + "fresh.wav",
		"old/gone.wav":  "old/gone.wav: missing_files is 1 file, limit at most 0 files: no file of this name is among those that are compared with it",
	} {
		if got[name] != want {
			t.Errorf("%s: %q, want %q", name, got[name], want)
		}
	}
	if len(got) != 4 || run.Passed() {
		t.Errorf("%q", got)
	}
}

// Limits in Go that bound nothing, or readings that there are not, fail in words as
// those of a file do.
func TestLimitsInGoFailLikeThoseOfAFile(t *testing.T) {
	sound := Planes(48000, [][]float64{make([]float64, 48000)})
	for want, limit := range map[string]measure.Limit{
		"found no bound":                    {Reading: "true_peak_dbtp"},
		"found the bound NaN":               measure.AtMost("true_peak_dbtp", math.NaN()),
		"found the bound +Inf":              measure.AtMost("true_peak_dbtp", math.Inf(1)),
		"found 1 to -1":                     measure.Between("true_peak_dbtp", 0, -1),
		"did you mean true_peak_dbtp?":      measure.AtMost("true_peek_dbtp", -1),
		"residual_dbfs: found no such read": measure.AtMost("residual_dbfs", -1),
	} {
		r := held(t, func(t testing.TB) { Reading(t, sound, limit) })
		if got := strings.Join(r.errors, "\n"); !strings.Contains(got, want) {
			t.Errorf("%+v: %s, want %s", limit, got, want)
		}
	}
	for _, limit := range []measure.Limit{{Reading: "x"}, measure.AtMost("x", math.NaN()), measure.Between("x", 0, -1)} {
		readings := measure.Readings{{Name: "x", Reading: measure.Reading{Value: 0}}}
		if j := measure.Judge("sound", 0, readings, limit); j.Verdict == measure.Pass {
			t.Errorf("%s", j)
		}
	}
	for _, s := range []Sound{{}, Planes(48000, nil), Planes(0, [][]float64{{0}}), Buffer(nil)} {
		if r := held(t, func(t testing.TB) { TruePeakAtMost(t, s, -1) }); len(r.errors) == 0 {
			t.Errorf("%+v passes", s)
		}
	}
}

// A file that has lost sound fails whatever its limits are: what is left may meet them.
func TestDamagedFilesFail(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "take.wav")
	writeWAV(t, path, dsp.Block{testsound.Noise(48000, 0.1, 1)})
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	l, err := Parse(filepath.Join(dir, "limits.toml"), []byte("schema = 1\n[[expect]]\nsample_peak_dbfs = { max = 0 }\n"))
	if err != nil {
		t.Fatal(err)
	}
	second := append([]byte("data"), 64, 0, 0, 0)
	for name, c := range map[string]struct {
		bytes  []byte
		passes bool
	}{
		"whole":              {whole, true},
		"half of it":         {whole[:len(whole)/2], false},
		"two samples less":   {whole[:len(whole)-8], false},
		"a second data part": {append(slices.Clone(whole), append(second, make([]byte, 64)...)...), false},
	} {
		if err := os.WriteFile(path, c.bytes, 0o666); err != nil {
			t.Fatal(err)
		}
		checked := l.CheckFile(t.Context(), path)
		if checked.Err != nil || checked.Passed() != c.passes || !c.passes && checked.Judgements[0].Reading != "damaged_files" {
			t.Errorf("%s: %+v", name, checked)
		}
	}
}
