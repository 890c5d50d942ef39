package expect

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// What the instruments give of files with one to three channels is what a limit can name,
// and nothing else is: each name of a single channel that no instrument gives is refused,
// with its line and the name that exists.
func TestReadingsThatALimitCanName(t *testing.T) {
	voice, rate := testsound.ReadTake(t, "harbour-street.wav")
	rng := rand.New(rand.NewPCG(51, 52))
	x, y := voice[0][:4*rate], make([]float64, 4*rate)
	for n, v := range x {
		y[n] = 0.8*v + 1e-4*rng.NormFloat64()
	}
	given := map[string]bool{}
	folder := t.TempDir()
	for channels := 1; channels <= 3; channels++ {
		path, other := filepath.Join(folder, "a.wav"), filepath.Join(folder, "b.wav")
		writeWAV(t, path, dsp.Block{x, y, x}[:channels])
		writeWAV(t, other, dsp.Block{y, x, y}[:channels])
		m := newMeasured(t.Context(), File(path))
		for _, kind := range []source{{ofFormat, ""}, {ofMeter, ""}, {ofInspection, ""}, {ofComparison, other}} {
			readings, err := m.readings(kind)
			if err != nil {
				t.Fatal(err)
			}
			for _, r := range readings {
				given[r.Name] = true
				if of, known := originOf(r.Name); !known || of != kind.origin && r.Name != "sample_peak_dbfs" { // of meter and of inspect
					t.Errorf("%d channels: a limit cannot name %s, or asks another instrument for it", channels, r.Name)
				}
			}
		}
	}
	parse := func(name string) string {
		key := map[bool]string{true: "like = \"b.wav\"\n", false: ""}
		of, _ := originOf(strings.TrimSuffix(name, "_ch1"))
		_, err := Parse("limits.toml", []byte("schema = 1\n[[expect]]\n"+key[of == ofComparison]+name+" = { max = -1 }\n"))
		return fmt.Sprint(err)
	}
	// Two floors and two voices have readings of their own; other tests make them.
	twofold := []string{"lower_noise_floor_dbfs", "higher_noise_share", "softer_speech_dbfs", "louder_speech_dbfs"}
	refused := 0
	for _, name := range readingNames() {
		if of, _ := originOf(name); of > ofComparison {
			continue
		}
		if !given[name] && !given[name+"_ch1"] && !slices.Contains(twofold, name) && !strings.Contains(name, "residual_") { // bands by the rate
			t.Errorf("no instrument gives %s", name)
		}
		one := name + "_ch1"
		if err := parse(one); given[one] != (err == "<nil>") {
			t.Errorf("%s: given is %t, and its limit: %s", one, given[one], err)
		} else if !given[one] {
			refused++
			if want := ":1: " + one + ": " + name + " is not measured in single channels; did you mean " + name + "?"; !strings.Contains(err, want) {
				t.Errorf("%s: %s, want %s", one, err, want)
			}
		}
	}
	if refused < 40 {
		t.Errorf("only %d names of single channels were refused", refused)
	}
	for name, want := range map[string]string{
		"dc_dbfs_ch65": "dc_dbfs_ch65: no such channel", "dc_dbfs_ch0": "no such channel", "dc_dbfs_ch01": "no such channel", "dc_dbfs_ch99999999999999999999": "no such channel",
		"residual_1001hz_dbfs": "did you mean residual_100", "residual_Nhz_dbfs": "unknown key", "integrated_luf_ch1": "did you mean integrated_lufs?",
		"dc_dbfs_ch64": "<nil>", "residual_31hz_dbfs": "like", "dc_dbfs_ch2": "<nil>",
	} {
		if err := parse(name); !strings.Contains(err, want) && want != "like" || want == "like" && err != "<nil>" {
			t.Errorf("%s: %s, want %s", name, err, want)
		}
	}
	if _, err := Parse("limits.toml", []byte("schema = 1\n\n[[expect]]\nintegrated_lufs_ch1 = { max = -1 }\n")); err == nil || !strings.Contains(err.Error(), "limits.toml:4:1: integrated_lufs_ch1") {
		t.Errorf("%v", err)
	}
	if !slices.IsSorted(readingNames()[:10]) {
		t.Error("names are not in order")
	}
}

// A limit of a channel that the file does not have is undecided, with the reason.
func TestLimitOfAChannelThatAFileDoesNotHave(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	for channels, want := range map[int]string{
		1: "there is 1 channel, whose reading is dc_dbfs",
		2: "there are 2 channels",
	} {
		x := testsound.Noise(48000, 0.1, 5)
		writeWAV(t, path, dsp.Block{x, x}[:channels])
		l, err := Parse("limits.toml", []byte("schema = 1\n[[expect]]\ndc_dbfs_ch3 = { max = -1 }\n"))
		if err != nil {
			t.Fatal(err)
		}
		if j := l.CheckFile(t.Context(), path).Judgements[0]; j.Verdict != measure.Undecided || j.Got.Reason != want {
			t.Errorf("%d channels: %v", channels, j)
		}
	}
}
