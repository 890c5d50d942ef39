package tune

import (
	"context"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// Chains for the tests of deliveries.
const (
	limiterAlone   = "schema = 1\n[[stage]]\nkind = \"limiter\"\n"
	withCompressor = "schema = 1\n[[stage]]\nkind = \"highpass\"\n[[stage]]\nkind = \"compressor\"\nthreshold_dbfs = -30\nratio = 3\n[[stage]]\nkind = \"limiter\"\n"
	withoutLimiter = "schema = 1\n[[stage]]\nkind = \"highpass\"\n"
)

func parsed(t testing.TB, text string) *chain.Chain {
	t.Helper()
	c, err := chain.Parse("chain.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// speech returns recordings of voices: the demo take, and where installed the readings of
// pocketsphinx-testdata, the prompts of alsa-utils and the recordings of codec2-examples
// (Debian). By default it returns few.
func speech(t *testing.T) []string {
	t.Helper()
	files := []string{"../../testdata/harbour-street.wav"}
	for _, pattern := range []string{
		"/usr/share/pocketsphinx/test/data/librivox/*.wav",
		"/usr/share/sounds/alsa/*.wav",
		"/usr/share/codec2/wav/ve9qrp.wav",
	} {
		found, _ := filepath.Glob(pattern)
		if len(found) == 0 && os.Getenv("BOOTHBENCH_REFERENCES") == "required" && !strings.Contains(pattern, "codec2") {
			t.Fatalf("nothing is %s: install Debian's pocketsphinx-testdata and alsa-utils", pattern)
		}
		if !dsptest.IsExhaustive() {
			found = found[:min(2, len(found))]
			if strings.Contains(pattern, "codec2") {
				continue // two minutes long
			}
		}
		files = append(files, found...)
	}
	return files
}

// written24 writes a sound to a new file, in 24 bits.
func written24(t testing.TB, rate int, b dsp.Block) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "take.wav")
	w, err := wave.Create(path, wave.Format{Rate: rate, Channels: len(b), Encoding: wave.Float, Bits: 64}, wave.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	return path
}

// deliverer delivers one take and measures the resulting file.
type deliverer func(t testing.TB, c *chain.Chain, target Target, in string, s Settings) (*Delivery, measure.Readings, error)

// delivered is the deliverer under test.
func delivered(t testing.TB, c *chain.Chain, target Target, in string, s Settings) (*Delivery, measure.Readings, error) {
	t.Helper()
	return deliveredBy(t, func(jobs []Job) (*Delivery, error) { return Deliver(context.Background(), c, target, jobs, s) }, in)
}

func deliveredBy(t testing.TB, deliver func([]Job) (*Delivery, error), in string) (*Delivery, measure.Readings, error) {
	t.Helper()
	out := filepath.Join(t.TempDir(), "out.wav")
	d, err := deliver([]Job{{In: in, Out: out}})
	if err != nil {
		if left, _ := os.ReadDir(filepath.Dir(out)); len(left) > 0 {
			t.Errorf("%s: %v, and yet left %v", in, err, left)
		}
		return nil, nil, err
	}
	return d, read(t, out), nil
}

func read(t testing.TB, path string) measure.Readings {
	t.Helper()
	r, err := wave.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	readings, err := measure.Programme(context.Background(), r, measure.AsIs)
	if err != nil {
		t.Fatal(err)
	}
	return readings
}

func value(t testing.TB, r measure.Readings, name string) float64 {
	t.Helper()
	got, ok := r.Get(name)
	if !ok || !got.Measurable() {
		t.Fatalf("%s: %v", name, got)
	}
	return got.Value
}

// ebur128 measures the loudness of a file by libebur128 (Debian), a second implementation.
func ebur128(t testing.TB) func(path string) float64 {
	t.Helper()
	if !dsptest.IsExhaustive() {
		return nil // gcc takes a second
	}
	program := filepath.Join(t.TempDir(), "ebur128_file")
	if out, err := exec.Command("gcc", "-O2", "-o", program, "../../measure/testdata/ebur128_file.c", "-lebur128", "-lsndfile", "-lm").CombinedOutput(); err != nil {
		if os.Getenv("BOOTHBENCH_REFERENCES") == "required" {
			t.Fatalf("gcc: %v\n%s", err, out)
		}
		return nil
	}
	return func(path string) float64 {
		out, err := exec.Command(program, path).Output()
		if err != nil {
			t.Fatal(err)
		}
		v, err := strconv.ParseFloat(strings.Fields(string(out))[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func sine(rate int, hz, amplitude, seconds float64) []float64 {
	x := make([]float64, int(seconds*float64(rate)))
	for n := range x {
		x[n] = amplitude * math.Sin(2*math.Pi*hz*float64(n)/float64(rate))
	}
	return x
}

// noise is white and evenly distributed between ±amplitude.
func noise(rng *rand.Rand, amplitude float64, frames int) []float64 {
	x := make([]float64, frames)
	for n := range x {
		x[n] = amplitude * (2*rng.Float64() - 1)
	}
	return x
}

// talk returns the demo take at a loudness in LUFS.
func talk(t testing.TB, lufs float64) (int, dsp.Block) {
	t.Helper()
	r, err := wave.Open("../../testdata/harbour-street.wav")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	b := dsp.NewBlock(1, int(r.Frames()))
	if n, err := r.Read(b); n != b.Frames() {
		t.Fatal(n, err)
	}
	l, err := measure.NewLoudness(measure.LoudnessSettings{Rate: 48000, Channels: 1})
	if err != nil {
		t.Fatal(err)
	}
	l.Write(b)
	is, _ := l.Profile().Integrated()
	gain := dsp.DBToAmplitude(lufs - is)
	for n := range b[0] {
		b[0][n] *= gain
	}
	return r.Format().Rate, b
}
