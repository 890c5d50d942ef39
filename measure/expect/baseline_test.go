package expect

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

func writeWAV(t *testing.T, path string, b dsp.Block) {
	t.Helper()
	w, err := wave.Create(path, wave.Unquantised(48000, len(b)), wave.Options{Replace: true})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
}

func changedBy(b dsp.Block, change func(n int, x float64) float64) dsp.Block {
	out := dsp.NewBlock(len(b), b.Frames())
	for c := range b {
		for n, x := range b[c] {
			out[c][n] = change(n, x)
		}
	}
	return out
}

// A baseline says what has changed, where and by how much; the figures are those of
// the change that was made.
func TestBaseline(t *testing.T) {
	home := t.TempDir()
	dir, file := filepath.Join(home, "baseline"), filepath.Join(home, "ep1.wav")
	voice := dsptest.Speechlike(48000, 2, 4*48000, 3)
	writeWAV(t, file, voice)
	if _, err := RecordBaseline(t.Context(), dir, file, "", time.Now()); err == nil {
		t.Error("a baseline without a reason is taken")
	}
	if _, err := RecordBaseline(t.Context(), dir, file, "first", fixedTime); err != nil {
		t.Fatal(err)
	}
	l := AgainstBaselines(dir)
	if c := l.CheckFile(t.Context(), file); !c.Passed() || len(c.Judgements) != len(BaselineLimits()) || len(c.Changes) > 0 {
		t.Errorf("unchanged: %+v", c)
	}
	b, err := LoadBaseline(dir, file)
	if err != nil {
		t.Fatal(err)
	}
	if r, err := b.Against(t.Context(), File(file)); err != nil {
		t.Error(err)
	} else if level, _ := r.Get("level_change_db"); level.Value != 0 || level.Frame >= 0 {
		t.Errorf("unchanged: the level changes by %v at frame %d, beside no difference", level, level.Frame)
	}
	late := dsp.Block{}
	for c := range voice {
		late = append(late, append(make([]float64, 7), voice[c][:voice.Frames()-7]...))
	}
	one := testsound.CopyOf(voice)
	for n := range one[1] {
		one[1][n] *= dsp.DBToAmplitude(-1)
	}
	for _, c := range []struct {
		name  string
		sound dsp.Block
		want  map[string]float64
		off   float64
		says  string
	}{
		{"1 dB down", changedBy(voice, func(_ int, x float64) float64 { return x * dsp.DBToAmplitude(-1) }), map[string]float64{"integrated_change_lu": -1, "gain_change_db": -1}, 0.001, "is 1.00 dB quieter"},
		{"7 frames later", late, map[string]float64{"delay_change_frames": 7}, 0, "is 7 frames later"},
		{"one channel", one, map[string]float64{"same_samples": 0}, 0, "is 1.00 dB quieter in channel 2"},
		{"shorter", dsp.Block{voice[0][:188000], voice[1][:188000]}, map[string]float64{"frames_change": -4000}, 0, "4000 frames shorter"},
	} {
		writeWAV(t, file, c.sound)
		checked := l.CheckFile(t.Context(), file)
		if checked.Passed() || len(checked.Changes) != 1 || !strings.Contains(checked.Changes[0], c.says) || !strings.Contains(checked.Changes[0], "(against its baseline of 2026-11-25: first)") {
			t.Errorf("%s: passes is %t; %q", c.name, checked.Passed(), checked.Changes)
		}
		b, err := LoadBaseline(dir, file)
		if err != nil {
			t.Fatal(err)
		}
		r, err := b.Against(t.Context(), File(file))
		if err != nil {
			t.Fatal(err)
		}
		for reading, want := range c.want {
			if got, _ := r.Get(reading); !got.Measurable() || math.Abs(got.Value-want) > c.off {
				t.Errorf("%s: %s is %v, want %g ± %g", c.name, reading, got, want, c.off)
			}
		}
	}
	// Recorded again, it passes, and both reasons stay, with what changed.
	if _, err := RecordBaseline(t.Context(), dir, file, "a shorter end", time.Now()); err != nil {
		t.Fatal(err)
	}
	if c := l.CheckFile(t.Context(), file); !c.Passed() {
		t.Errorf("recorded again: %+v", c)
	}
	b, err = LoadBaseline(dir, file)
	if err != nil || len(b.History) != 2 || b.History[0].Why != "first" || b.History[0].Date != "2026-11-25" || !strings.Contains(b.History[1].Change, "4000 frames shorter") {
		t.Errorf("%+v, %v", b.History, err)
	}
	if s, _ := b.Fingerprint.Reference.MarshalJSON(); len(s) == 0 {
		t.Error("no reference")
	}
}

func TestBaselineRefuses(t *testing.T) {
	home := t.TempDir()
	dir, file := filepath.Join(home, "baseline"), filepath.Join(home, "ep1.wav")
	writeWAV(t, file, dsp.Block{make([]float64, 3000)})
	if c := AgainstBaselines(dir).CheckFile(t.Context(), file); c.Err == nil || !strings.Contains(c.Err.Error(), "record one with check --record") {
		t.Error(c.Err)
	}
	// Silence and sounds too short for loudness have baselines too.
	b, err := RecordBaseline(t.Context(), dir, file, "short", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	r, err := b.Against(t.Context(), File(file))
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range b.Limits() {
		if j := measure.Judge("x", 48000, r, l); j.Verdict != measure.Pass {
			t.Error(j)
		}
	}
	// NaN is nothing that could be right, and never equals what was recorded.
	broken := dsp.Block{make([]float64, 3000)}
	broken[0][77] = math.NaN()
	if c, err := b.changeOf(t.Context(), Planes(48000, broken)); err == nil || !strings.Contains(err.Error(), "NaN or infinite sample at frame 77") {
		t.Errorf("NaN against a baseline: %+v, %v", c, err)
	}
	good, err := os.ReadFile(baselinePath(dir, file))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ text, says string }{
		{"{", "ep1.wav.json"},
		{`{"schema_version":7}`, "found schema_version 7, accepted: 3"},
		{`{"schema_version":3}`, "no baseline as check --record writes it"},
		{strings.Replace(string(good), `"frames": 3000`, `"frames": 9000`, 1), "not of one recording"},
		{strings.Replace(string(good), b.SamplesSHA256, strings.Repeat("0", 64), 1), "not of one recording"},
		{strings.Replace(string(good), `"reference": "`, `"reference": "?`, 1), "illegal base64"},
	} {
		if err := os.WriteFile(baselinePath(dir, file), []byte(c.text), 0o666); err != nil {
			t.Fatal(err)
		}
		if _, err := LoadBaseline(dir, file); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%.40s: %v, want %s", c.text, err, c.says)
		}
	}
}

// Equal names in different folders have baselines of their own; what has not changed
// keeps its history; a plan that fails writes nothing; what is gone is listed.
func TestRecordSeveral(t *testing.T) {
	home := t.TempDir()
	dir := filepath.Join(home, "baseline")
	sound := func(amplitude float64) dsp.Block {
		return dsp.Block{testsound.Noise(9600, amplitude, 1)}
	}
	files := []string{filepath.Join(home, "a", "ep1.wav"), filepath.Join(home, "b", "ep1.wav"), filepath.Join(home, "ep1.wav")}
	for i, file := range files {
		if err := os.MkdirAll(filepath.Dir(file), 0o777); err != nil {
			t.Fatal(err)
		}
		writeWAV(t, file, sound(0.1*float64(i+1)))
	}
	record := func(why string) []Recording {
		t.Helper()
		plan, err := PlanRecording(t.Context(), dir, files, false)
		if err != nil {
			t.Fatal(err)
		}
		if err := Record(dir, plan, why, time.Now()); err != nil {
			t.Fatal(err)
		}
		return plan
	}
	for _, r := range record("first") {
		if r.State != New || r.History != 1 {
			t.Errorf("%+v", r)
		}
	}
	writeWAV(t, files[1], sound(0.25))
	for i, r := range record("b is louder") {
		if want := map[bool]RecordState{true: Changed, false: Kept}[i == 1]; r.State != want || i == 1 && !strings.Contains(r.Change, "1.94 dB louder") {
			t.Errorf("%s: state %d, %q", r.File, r.State, r.Change)
		}
		b, err := LoadBaseline(dir, r.File)
		if err != nil || len(b.History) != map[bool]int{true: 2, false: 1}[i == 1] {
			t.Errorf("%s: %+v, %v", r.File, b, err)
		}
	}
	// One that cannot be written takes none with it.
	writeWAV(t, files[0], sound(0.5))
	writeWAV(t, files[1], sound(0.6))
	plan, err := PlanRecording(t.Context(), dir, files, false)
	if err != nil {
		t.Fatal(err)
	}
	before, _ := os.ReadFile(baselinePath(dir, files[0]))
	if err := os.Remove(baselinePath(dir, files[1])); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(baselinePath(dir, files[1]), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := Record(dir, plan, "both", time.Now()); err == nil {
		t.Error("a folder is written over")
	}
	if after, _ := os.ReadFile(baselinePath(dir, files[0])); string(after) != string(before) {
		t.Error("one of two is recorded")
	}
	os.Remove(baselinePath(dir, files[1]))
	os.Remove(files[0])
	if orphans, err := Orphans(dir); err != nil || len(orphans) != 1 || orphans[0] != filepath.Join(dir, "a", "ep1.wav.json") {
		t.Errorf("%q, %v", orphans, err)
	}
	// Outside, two of one name would share a baseline.
	other := filepath.Join(t.TempDir(), "ep1.wav")
	writeWAV(t, other, sound(0.1))
	if _, err := PlanRecording(t.Context(), dir, []string{files[2], other}, false); err == nil || !strings.Contains(err.Error(), "would have one baseline") {
		t.Error(err)
	}
}

// A file that has a baseline must not get lost without a word: of three, one that a pattern
// of the limits would find is gone. Where files are named, the others are not asked for.
func TestLostFileWithABaselineFails(t *testing.T) {
	home := t.TempDir()
	dir := filepath.Join(home, "baseline")
	for i, name := range []string{"ep1.wav", "ep2.wav", "s1/ep1.wav", "s2/ep1.wav", "other.wav"} {
		file := filepath.Join(home, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(file), 0o777); err != nil {
			t.Fatal(err)
		}
		writeWAV(t, file, dsp.Block{testsound.Noise(4800, 0.1, uint64(i))})
		if _, err := RecordBaseline(t.Context(), dir, file, "first", time.Now()); err != nil {
			t.Fatal(err)
		}
	}
	lost := func(named ...string) (names []string) {
		t.Helper()
		l, err := Parse(filepath.Join(home, "limits.toml"), []byte("schema = 1\n[[expect]]\nfiles = [\"ep*.wav\", \"s*/*.wav\"]\nbaseline = \"baseline\"\n"))
		if err != nil {
			t.Fatal(err)
		}
		r, err := l.Run(t.Context(), named, Work{})
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range r.Checked {
			if !c.Passed() {
				inside, _ := filepath.Rel(home, c.Subject)
				names = append(names, filepath.ToSlash(inside))
			}
		}
		return names
	}
	os.Remove(filepath.Join(home, "other.wav")) // no pattern finds it
	if names := lost(); names != nil {
		t.Errorf("%q failed, and nothing is lost", names)
	}
	os.Remove(filepath.Join(home, "ep2.wav"))
	os.RemoveAll(filepath.Join(home, "s2"))
	if names := lost(); !slices.Equal(names, []string{"ep2.wav", "s2/ep1.wav"}) {
		t.Errorf("%q failed; wanted ep2.wav and s2/ep1.wav", names)
	}
	if names := lost(filepath.Join(home, "ep1.wav")); names != nil {
		t.Errorf("%q failed, with one file named", names)
	}
}

// Recorders at once wait for each other: every history keeps every recording.
func TestConcurrentRecordingsKeepEveryHistory(t *testing.T) {
	home := t.TempDir()
	dir, file := filepath.Join(home, "baseline"), filepath.Join(home, "ep1.wav")
	writeWAV(t, file, dsp.Block{testsound.Noise(4800, 0.1, 1)})
	if _, err := RecordBaseline(t.Context(), dir, file, "first", time.Now()); err != nil {
		t.Fatal(err)
	}
	const writers = 12
	failed := make(chan error, writers)
	for i := range writers {
		go func() {
			own := filepath.Join(home, fmt.Sprint(i)) // the same name and sound length, another sound
			os.Mkdir(own, 0o777)
			link := filepath.Join(own, "x.wav")
			w, err := wave.Create(link, wave.Unquantised(48000, 1), wave.Options{})
			if err == nil {
				w.Write(dsp.Block{testsound.Noise(4800, 0.2, uint64(i+2))})
				err = w.Commit()
			}
			if err == nil {
				err = recordAs(t.Context(), dir, file, link)
			}
			failed <- err
		}()
	}
	for range writers {
		if err := <-failed; err != nil {
			t.Error(err)
		}
	}
	b, err := LoadBaseline(dir, file)
	if err != nil {
		t.Fatal(err)
	}
	if len(b.History) != writers+1 {
		t.Errorf("%d recordings are in the history, want %d", len(b.History), writers+1)
	}
}

// recordAs moves another sound to a file's name and records it, while it holds the
// folder.
func recordAs(ctx context.Context, dir, file, other string) error {
	release, err := wave.HoldFolder(ctx, dir)
	if err != nil {
		return err
	}
	defer release()
	if err := os.Rename(other, file); err != nil {
		return err
	}
	plan, err := PlanRecording(ctx, dir, []string{file}, true)
	if err != nil {
		return err
	}
	return Record(dir, plan, "again", time.Now())
}
