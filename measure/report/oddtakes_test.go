package report

import (
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/expect"
	"github.com/boothbench/boothbench/measure/internal/browser"
	"github.com/boothbench/boothbench/measure/proof"
)

// oddTakes are unusual takes, by what is unusual about them.
func oddTakes(t *testing.T) map[string][]byte {
	t.Helper()
	folder := t.TempDir()
	c, err := chain.Parse("odd.toml", []byte("schema = 1\n[[stage]]\nkind = \"compressor\"\nthreshold_dbfs = -30\n[[stage]]\nkind = \"limiter\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	limits, err := expect.AgainstSpec("ebu-r128")
	if err != nil {
		t.Fatal(err)
	}
	pages := map[string][]byte{}
	for i, odd := range []struct {
		name     string
		rate     int
		channels int
		frames   int
		gain     float64
	}{
		{"silence", 48000, 1, 48000, 0},
		{"of 0.2 s", 48000, 1, 9600, 0.5},
		{"at 8 kHz", 8000, 1, 24000, 0.5},
		{"at 192 kHz", 192000, 2, 96000, 0.5},
		{"far over full scale", 48000, 2, 48000, 40},
		{"hardly any level", 48000, 1, 48000, 1e-9},
		{"of 64 channels", 48000, 64, 12000, 0.5},
	} {
		if i > 2 && !dsptest.IsExhaustive() {
			continue
		}
		b := dsptest.Speechlike(odd.rate, odd.channels, odd.frames, 1)
		for _, plane := range b {
			for i := range plane {
				plane[i] *= odd.gain
			}
		}
		name := filepath.Join(folder, odd.name+strings.Repeat(" long <i>&name", 14)+".wav")
		w, err := wave.Create(name, wave.Format{Rate: odd.rate, Channels: odd.channels, Encoding: wave.Float, Bits: 32}, wave.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(w.Write(b), w.Commit()); err != nil {
			t.Fatal(err)
		}
		for how, s := range map[string]TakeSettings{
			"chain": {Take: name, Chain: c, ChainText: c.Text, Limits: limits, Version: "v"}, "itself": {Take: name, Processed: name, Limits: limits, Version: "v"},
		} {
			take, err := ReadTake(t.Context(), s)
			if err != nil { // a file that cannot be measured gives no page
				t.Errorf("%s, %s: %v", odd.name, how, err)
				continue
			}
			pages[odd.name+", "+how] = take.Page().HTML()
		}
	}
	return pages
}

// The page of any take is well-formed.
func TestPagesOfOddTakes(t *testing.T) {
	for name, page := range oddTakes(t) {
		before := t.Failed()
		if sound(t, page); t.Failed() && !before {
			t.Errorf("that is the page of a take: %s", name)
		}
		if strings.Contains(string(page), "<i>") {
			t.Errorf("%s: the name is markup", name)
		}
	}
}

// In a browser no such page is wider than the window, and no text leaves its picture.
func TestPagesOfOddTakesInABrowser(t *testing.T) {
	dsptest.Exhaustive(t)
	tab := browser.Start(t)
	for name, page := range oddTakes(t) {
		for _, width := range []int{800, 400} {
			tab.Open(t, page, width)
			fits(t, tab, name, width)
		}
	}
}

// With any readings and names, pages are well-formed: ids are unique, and NaN and infinity
// are not printed as numbers.
func TestPagesOfAnyReadings(t *testing.T) {
	value := rapid.OneOf(rapid.Float64Range(-200, 200), rapid.Float64(), rapid.SampledFrom([]float64{0, math.NaN(), math.Inf(1), math.Inf(-1), 1e300}))
	name := rapid.OneOf(rapid.StringMatching(`[a-z_]{1,12}_db`), rapid.SampledFrom([]string{"", "</td><b>", "a\x00\u202e", strings.Repeat("x", 400)}))
	reading := rapid.Custom(func(t *rapid.T) measure.Reading {
		v := value.Draw(t, "value")
		if rapid.Bool().Draw(t, "missing") || v-v != 0 { // readings hold numbers, or say why not
			return measure.Reading{Reason: "no " + name.Draw(t, "reason"), Unit: "dB", Frame: -1, Channel: -1}
		}
		return measure.Reading{Value: v, Unit: rapid.SampledFrom([]string{"dB", "LUFS", "", "frames", "<u>"}).Draw(t, "unit"), Frame: -1, Channel: -1}
	})
	points := func(t *rapid.T) (rows [][]float64) { // curves may have what readings have not
		for i := range rapid.IntRange(0, 12).Draw(t, "rows") {
			rows = append(rows, []float64{20 * math.Pow(1.7, float64(i)), value.Draw(t, "got"), value.Draw(t, "want")})
		}
		return rows
	}
	most, done := 20, 0 // of the hundred, unless all are asked for
	if dsptest.IsExhaustive() {
		most = 100
	}
	rapid.Check(t, func(t *rapid.T) {
		if done++; done > most {
			return
		}
		s := &proof.Sheet{Subject: name.Draw(t, "subject"), RateHz: 48000}
		var devices Comparison
		runs := historyOf(3)
		for i := range rapid.IntRange(0, 6).Draw(t, "lines") {
			got, reads := reading.Draw(t, "reading"), name.Draw(t, "name")
			l := measure.Between(reads, -1, 1)
			s.Lines = append(s.Lines, proof.Line{Stage: name.Draw(t, "stage"), Condition: name.Draw(t, "condition"), Why: name.Draw(t, "why"), Judgement: measure.Judge("x", 48000, measure.Readings{{Name: reads, Reading: got}}, l)})
			c := proof.Curve{Stage: name.Draw(t, "stage"), WithinDB: 0.1, Deviation: got, Table: measure.Table{Columns: []string{rapid.SampledFrom([]string{"frequency_hz", "in_dbfs"}).Draw(t, "x"), "gain_db", "declared_gain_db"}, Rows: points(t)}}
			s.Curves = append(s.Curves, c)
			devices.Devices = append(devices.Devices, name.Draw(t, "device"))
			h := expect.HistoryReading{Unit: got.Unit, Verdict: "fail", Reason: got.Reason}
			if got.Measurable() {
				h.Value = &got.Value
			}
			runs[i%3].Readings[name.Draw(t, "file")] = map[string]expect.HistoryReading{reads: h}
		}
		for range 3 {
			r := ComparedReading{Name: name.Draw(t, "name"), Group: name.Draw(t, "group")}
			k := ComparedCurve{Name: "c" + fmt.Sprint(len(devices.Curves)), Title: name.Draw(t, "title"), X: "x", Y: "y", XUnit: "Hz", YUnit: "dB", LogX: rapid.Bool().Draw(t, "log")}
			for range devices.Devices {
				r.Got, r.Best = append(r.Got, reading.Draw(t, "got")), append(r.Best, rapid.Bool().Draw(t, "best"))
				k.Tables = append(k.Tables, measure.Table{Rows: points(t)})
			}
			devices.Rows, devices.Curves = append(devices.Rows, r), append(devices.Curves, k)
		}
		for _, p := range []Page{Chain(s, []byte(name.Draw(t, "text")), "v"), Devices(devices, "v"), History(name.Draw(t, "title"), runs, nil, "v")} {
			page := p.HTML()
			sound(t, page)
			if t.Failed() {
				t.Fatalf("the page %.60q", p.Title)
			}
			for _, tag := range []string{"<b>", "<u>"} {
				if strings.Contains(string(page), tag) {
					t.Fatalf("%q became markup", tag)
				}
			}
		}
	})
}
