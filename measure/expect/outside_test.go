package expect_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
)

// outsideTest is what a module that contains a voice chain would write. The tone
// is common to both tests: −20 dBFS peak, and one of them asks too much of it.
const outsideTest = `package voice

import (
	"math"
	"testing"

	"github.com/go-audio/audio"

	"github.com/boothbench/boothbench/measure/expect"
)

func tone() [][]float64 {
	x := make([]float64, 2*48000)
	for n := range x {
		x[n] = 0.1 * math.Sin(2*math.Pi*997*float64(n)/48000)
	}
	return [][]float64{x}
}

func TestVoice(t *testing.T) {
	planes := expect.Planes(48000, tone())
	expect.TruePeakAtMost(t, planes, -19.9)
	expect.Loudness(t, planes, -23, 0.1)
	buffer := &audio.FloatBuffer{Format: &audio.Format{NumChannels: 1, SampleRate: 48000}, Data: tone()[0]}
	expect.TruePeakAtMost(t, expect.Buffer(buffer), -19.9)
}

func TestTooLoud(t *testing.T) {
	expect.Loudness(t, expect.Planes(48000, tone()), -16, 0.5)
}
`

// A module outside this one uses the assertions with a copy of this one.
func TestAssertionsWorkInAnotherModule(t *testing.T) {
	dsptest.Exhaustive(t) // builds a module; TestYourProcessor runs the same page within this one
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	sums, err := os.ReadFile(filepath.Join(root, "go.sum"))
	if err != nil {
		t.Fatal(err)
	}
	page, err := os.ReadFile("yourprocessor_test.go") // alone in its folder: its package has a name of its own
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "processor"), 0o777); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"go.mod": "module example.org/harbour-street\n\ngo 1.26\n\nrequire (\n\tgithub.com/boothbench/boothbench v0.0.0\n\tgithub.com/go-audio/audio v1.0.0\n)\n\nreplace github.com/boothbench/boothbench => " + root + "\n",
		"go.sum": string(sums), "voice_test.go": outsideTest, "processor/yourprocessor_test.go": string(page),
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	c := exec.Command("go", "test", "-mod=mod", "-v", "./...")
	c.Dir = dir
	out, err := c.CombinedOutput()
	if err == nil {
		t.Error("the tests pass; TestTooLoud must fail")
	}
	for _, want := range []string{
		"--- PASS: TestVoice", "--- PASS: TestYourProcessor", "--- FAIL: TestTooLoud",
		"voice_test.go:29: fail       the planes: integrated_lufs is -23.01 LUFS, limit -16.5 to -15.5 LUFS: raise the level by 6.51 LU",
	} {
		if !strings.Contains(string(out), want) {
			t.Errorf("found no %q in\n%s", want, out)
		}
	}
}
