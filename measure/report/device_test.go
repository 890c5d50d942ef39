package report

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/picture"
	"github.com/boothbench/boothbench/measure/proof"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// curved is a device that adds a second harmonic: y = x + x²/10.
type curved struct{}

func (curved) Respond(ctx context.Context, played wave.Source, response wave.Sink) error {
	b := dsp.NewBlock(played.Format().Channels, 4096)
	for {
		n, err := played.Read(b)
		for c := range b {
			for i, x := range b[c][:n] {
				b[c][i] = x + x*x/10
			}
		}
		part := make(dsp.Block, len(b))
		for c := range b {
			part[c] = b[c][:n]
		}
		if n > 0 {
			if err := response.Write(part); err != nil {
				return err
			}
		}
		if err != nil || n == 0 {
			return ctx.Err()
		}
	}
}

const claimsText = `schema = 1
device = "folder preamp <b>"
calibration = "0 dBFS = +16 dBu"
[[test]]
stimulus = { kind = "synchronised-sweep", seconds = 2 }
harmonic2_at_1khz_db = { min = -47, max = -45, why = "a tenth of half the peak: -46.02 dB" }
[[test]]
stimulus = { kind = "tone", hz = 997, seconds = 3 }
thd_total_db = { max = -60, why = "data sheet" }
[[test]]
stimulus = { kind = "silence", seconds = 2 }
idle_noise_a_dbfs = { max = -80, why = "data sheet" }
[[test]]
stimulus = { kind = "stepped-tone", from_dbfs = -40, to_dbfs = -20, step_db = 5, step_seconds = 0.2 }
unsettled_steps = { max = 0, why = "data sheet" }
`

func readDevice(t *testing.T, text string) *Device {
	t.Helper()
	claims, err := proof.ParseClaims("claims.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	d, err := ReadDevice(context.Background(), DeviceSettings{Name: claims.Device, Device: curved{}, Rate: 48000, Claims: claims, Version: "v", Repeat: []string{"boothbench report device"}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestDevicePage(t *testing.T) {
	d := readDevice(t, claimsText)
	p := d.Page()
	page := p.HTML()
	sound(t, page)
	// Of a peak of 0.1 the second harmonic is 0.1·0.1/2 of the fundamental: −46.02 dB,
	// which exceeds the claim about THD. Silence stays silence, which fails no limit.
	if p.Verdict != measure.Fail || p.Answer != "folder preamp <b> does not meet its claims: 1 of 4 fails." {
		t.Errorf("found %v %q", p.Verdict, p.Answer)
	}
	seen := words(page)
	for _, test := range d.Tests {
		for _, r := range test.Readings {
			if !strings.Contains(seen, r.Name) || !strings.Contains(seen, strings.Join(strings.Fields(minus(r.String())), " ")) {
				t.Errorf("the page lacks %s, %s", r.Name, r.String())
			}
		}
	}
	if !strings.Contains(seen, "tone_dbu") || !strings.Contains(seen, "Calibration: 0 dBFS = +16.00 dBu.") {
		t.Error("the calibration is lost")
	}
	if strings.Index(seen, "What could not be measured") > strings.Index(seen, "Curves") {
		t.Error("what could not be measured stands below the figures")
	}
	pictures := map[string]picture.Picture{}
	for _, p := range p.Pictures() {
		pictures[p.Title] = p
	}
	for _, title := range []string{"Response", "Distortion by order", "Spectrum of a tone of 997 Hz", "Static curve"} {
		if len(pictures[title].Panels) == 0 {
			t.Errorf("no picture %q among %d", title, len(pictures))
		}
	}
	if says := pictures["Distortion by order"].Caption; !strings.Contains(says, "second harmonic −46.0") {
		t.Errorf("found %q", says)
	}
	for i, s := range pictures["Distortion by order"].Panels[0].Series {
		drawn := 0
		for _, p := range s.Points {
			if p.Y-p.Y == 0 {
				drawn++
				if i == 0 && math.Abs(p.Y+46.02) > 0.2 {
					t.Errorf("the second harmonic is drawn at %.2f dB, %.0f Hz; accepted: −46.02", p.Y, p.X)
				}
			}
		}
		if (i == 0) != (drawn > 100) && s.Name != "noise" {
			t.Errorf("%s has %d points", s.Name, drawn)
		}
	}
	if !dsptest.IsExhaustive() {
		return
	}
	if again, _ := ReadDevice(context.Background(), d.DeviceSettings, nil); string(again.Page().HTML()) != string(page) {
		t.Error("the same device gives another page")
	}
}

// For recordings the page has file names without folders, digests, formats and the noise of
// ideal rounding. Without claims it has no verdict.
func TestDevicePageOfRecordings(t *testing.T) {
	folder := t.TempDir()
	played, recorded := filepath.Join(folder, "silence.wav"), filepath.Join(folder, "recorded.wav")
	m := stimulus.Marked{Signal: stimulus.Silence{Seconds: 2}, Rate: 48000}
	sound48, _, err := m.Make()
	if err != nil {
		t.Fatal(err)
	}
	format := wave.Format{Rate: 48000, Channels: 1, Encoding: wave.Integer, Bits: 16}
	for _, name := range []string{played, recorded} {
		w, err := wave.Create(name, format, wave.Options{Dither: wave.TPDF, Chunks: []wave.Chunk{{ID: stimulus.ChunkID, Data: []byte(m.Identity())}}})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Write(sound48); err != nil {
			t.Fatal(err)
		}
		if err := w.Commit(); err != nil {
			t.Fatal(err)
		}
	}
	d, err := ReadDevice(context.Background(), DeviceSettings{Name: "recorded.wav", Recordings: []instrument.Recorded{{Stimulus: played, Recording: recorded}}, Version: "v"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	p := d.Page()
	page := p.HTML()
	sound(t, page)
	seen := words(page)
	text, _ := os.ReadFile(recorded)
	sum := sha256.Sum256(text)
	if !strings.Contains(seen, hex.EncodeToString(sum[:])) || strings.Contains(seen, folder) || !strings.Contains(seen, "16-bit integer") {
		t.Error("digest, format or name:", seen)
	}
	if p.Verdict != measure.Undecided || !strings.HasPrefix(p.Answer, "There are no claims about this device") {
		t.Errorf("found %v %q", p.Verdict, p.Answer)
	}
	// The recording is ideal rounding with TPDF dither: its spectrum lies on the ideal
	// line, to 0.2 dB in the mean of some thousand bins.
	series := p.Pictures()[0].Panels[0].Series
	var sumOf float64
	n := 0
	for _, q := range series[0].Points {
		if q.X > 100 {
			sumOf, n = sumOf+math.Pow(10, q.Y/10), n+1
		}
	}
	if mean, ideal := 10*math.Log10(sumOf/float64(n)), series[1].Points[0].Y; math.Abs(mean-ideal) > 0.2 {
		t.Errorf("the spectrum lies at %.2f dBFS, ideal rounding at %.2f", mean, ideal)
	}
}
