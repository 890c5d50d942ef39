package chain_test

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// The page CEILING.md: what the limiter's output reads, signal by signal.

const ceilingDBTP = -1 // the limiter's default

var tableDrives = []float64{0, 6, 12, 24, 40, 60}

// tableSignal is a row.
type tableSignal struct {
	name  string
	rates []int
	make  func(t testing.TB, rate int) dsp.Block
}

func tableSignals() []tableSignal {
	must := func(t testing.TB, b dsp.Block, err error) dsp.Block {
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	rates := []int{44100, 48000, 96000}
	var all []tableSignal
	for _, s := range stimulus.LimiterStressSet(ceilingDBTP, 2) {
		all = append(all, tableSignal{s.Name(), rates, func(t testing.TB, rate int) dsp.Block {
			b, err := s.Make(rate)
			return must(t, b, err)
		}})
	}
	for number := 15; number <= 23; number++ {
		all = append(all, tableSignal{fmt.Sprintf("EBU Tech 3341, signal %d", number), rates, func(t testing.TB, rate int) dsp.Block {
			b, err := stimulus.Tech3341{Case: number}.Make(rate)
			return must(t, b, err)
		}})
	}
	return append(all, tableSignal{"recorded speech", []int{48000}, func(t testing.TB, _ int) dsp.Block {
		return speechAtCeiling(t, 5*48000)
	}})
}

// upTo20kHz are the signals of the table without what lies above 20 kHz: all of it up
// to 19 kHz, falling to nothing as a raised cosine does, without a shift of phase.
func upTo20kHz() []tableSignal {
	all := tableSignals()
	for i, s := range all {
		all[i].make = func(t testing.TB, rate int) dsp.Block {
			b := s.make(t, rate)
			for c, x := range b {
				b[c] = lowPassed(x, rate)
			}
			return b
		}
	}
	return all
}

func lowPassed(x []float64, rate int) []float64 {
	pad := rate / 10 // for what the filter rings before and after
	padded := make([]float64, len(x)+2*pad)
	copy(padded[pad:], x)
	fft := fourier.NewFFT(len(padded))
	bins := fft.Coefficients(nil, padded)
	for k := range bins {
		hz := fft.Freq(k) * float64(rate)
		share := 0.5 + 0.5*math.Cos(math.Pi*max(0, min(1, (hz-19000)/1000)))
		bins[k] *= complex(share/float64(len(padded)), 0)
	}
	return fft.Sequence(padded, bins)
}

// speechAtCeiling is the demo take in stereo, its highest sample at the ceiling:
// a drive is then the most that the limiter takes off.
func speechAtCeiling(t testing.TB, frames int) dsp.Block {
	b := demoTake(t, 2)
	largest := 0.0
	for c := range b {
		b[c] = b[c][:frames]
		for _, v := range b[c] {
			largest = max(largest, v, -v)
		}
	}
	for _, x := range b {
		for n := range x {
			x[n] *= dsp.DBToAmplitude(ceilingDBTP) / largest
		}
	}
	return b
}

// limitedFor runs a sound through the limiter alone. Verified, it comes out as a
// 24-bit file holds it, dithered.
func limitedFor(t testing.TB, in dsp.Block, rate int, driveDB float64, keys string, verified bool) dsp.Block {
	e := prepare(t, fmt.Sprintf("schema = 1\n[[stage]]\nkind = \"limiter\"\ndrive_db = %g\nverify = %v\n%s", driveDB, verified, keys), rate, len(in))
	var o chain.Options
	if verified {
		var err error
		o.Quantiser, err = wave.NewQuantiser(wave.Format{Rate: rate, Channels: len(in), Encoding: wave.Integer, Bits: 24}, wave.TPDF, 1)
		if err != nil {
			t.Fatal(err)
		}
	}
	out := &sink{}
	if _, err := e.Run(context.Background(), newSound(rate, in), out, o); err != nil {
		t.Fatal(err)
	}
	return out.planes
}

// ceilingCell is the worst of a signal's readings at a drive: samples, Annex 2,
// fine.
func ceilingCell(t testing.TB, s tableSignal, driveDB float64, verified bool) string {
	var worst measure.Readings
	for _, rate := range s.rates {
		in := s.make(t, rate)
		for _, linked := range []bool{true, false} {
			out := limitedFor(t, in, rate, driveDB, fmt.Sprintf("link_channels = %v\n", linked), verified)
			worst = append(worst, overshootReadings(t, out, rate, ceilingDBTP)...)
		}
	}
	var words []string
	for _, name := range overshootNames {
		largest := -200.0
		for _, r := range worst {
			if r.Name == name && r.Measurable() {
				largest = max(largest, r.Value)
			}
		}
		words = append(words, signed(largest))
	}
	return strings.Join(words, " / ")
}

func signed(db float64) string {
	text := fmt.Sprintf("%+.3f", db)
	if text == "-0.000" || text == "+0.000" {
		return "0.000"
	}
	return strings.Replace(text, "-", "−", 1)
}

// loudnessCell is what limiting takes off the loudness, in LU.
func loudnessCell(t testing.TB, recovery string, driveDB float64) string {
	in := speechAtCeiling(t, 10*48000)
	integrated := func(b dsp.Block) float64 {
		m, err := measure.NewLoudness(measure.LoudnessSettings{Rate: 48000, Channels: len(b)})
		if err != nil {
			t.Fatal(err)
		}
		m.Write(b)
		r, _ := m.Readings().Get("integrated_lufs")
		if !r.Measurable() {
			t.Fatal(r.Reason)
		}
		return r.Value
	}
	out := limitedFor(t, in, 48000, driveDB, fmt.Sprintf("recovery = %q\n", recovery), true)
	return strings.Replace(fmt.Sprintf("%.2f", integrated(out)-integrated(in)-driveDB), "-", "−", 1)
}

const (
	causalTitle  = "## Causal form (`verify = false`)"
	limitedTitle = "## Causal form, signals of up to 20 kHz"
)

func ceilingPage(t testing.TB) []byte {
	var b bytes.Buffer
	b.WriteString(`# What the limiter holds

Measured, not claimed; made anew by

` + "```" + `
go test ./chain -run TestCeilingPage -update
` + "```" + `

Each cell: dB over the ceiling of −1 dBTP by samples / by Rec. ITU-R BS.1770-5
Annex 2 / by a windowed sinc of 64 phases and 256 taps, the worst of 44.1, 48 and
96 kHz (speech: 48 kHz) and of linked and unlinked channels. The readings are those
of package measure, whose interpolators are its own. Under 0 is under the ceiling.
Each column is a value of ` + "`drive_db`" + `, the gain in front of the limiter. The first nine signals are those of ` + "`boothbench overshoot`" + `, which
lie 0 to 20 dB over the ceiling before the drive; speech just reaches it.
`)
	for _, part := range []struct {
		title    string
		signals  []tableSignal
		verified bool
	}{
		{"## Verified (the default), as a 24-bit file with dither holds it\n", tableSignals(), true},
		{causalTitle + ", as computed\n", tableSignals(), false},
		{limitedTitle + `

Finite interpolators disagree near half the rate, where the bursts that begin at
once, alternating signs and noise have a part of their sound (the demo take has its
room's noise there, which +40 dB brings to the ceiling). Here are the same signals
without what lies above 20 kHz: what the causal form promises by the finest reading at
a look-ahead of 3 ms, 0.05 dB, and 0.01 dB for speech, is promised for these. What a
shorter look-ahead costs is under ` + "`boothbench explain limiter`" + `.
`, upTo20kHz(), false},
	} {
		b.WriteString("\n" + part.title + "\n| signal |")
		for _, d := range tableDrives {
			fmt.Fprintf(&b, " %+g dB |", d)
		}
		b.WriteString("\n|---|" + strings.Repeat("---|", len(tableDrives)) + "\n")
		for _, s := range part.signals {
			fmt.Fprintf(&b, "| %s |", s.name)
			for _, d := range tableDrives {
				fmt.Fprintf(&b, " %s |", ceilingCell(t, s, d, part.verified))
			}
			b.WriteString("\n")
		}
	}
	b.WriteString(`
## What each recovery costs

LU of integrated loudness (BS.1770) that limiting takes from speech at the same
ceiling, by drive: recorded speech whose highest sample is at the ceiling before
the drive. Driving into the limiter makes it louder by the drive less this.

| ` + "`recovery`" + ` |`)
	for _, d := range tableDrives[1:] {
		fmt.Fprintf(&b, " %+g dB |", d)
	}
	b.WriteString("\n|---|" + strings.Repeat("---|", len(tableDrives)-1) + "\n")
	for _, recovery := range []string{"slow", "medium", "fast"} {
		fmt.Fprintf(&b, "| %s |", recovery)
		for _, d := range tableDrives[1:] {
			fmt.Fprintf(&b, " %s |", loudnessCell(t, recovery, d))
		}
		b.WriteString("\n")
	}
	return b.Bytes()
}

// TestCeilingPage measures four cells of the page anew, and holds the whole page
// to the guarantee: nothing verified is over, and of what has nothing above 20 kHz
// little by the fine reading alone.
func TestCeilingPage(t *testing.T) {
	if *update {
		if err := os.WriteFile("CEILING.md", ceilingPage(t), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	page, err := os.ReadFile("CEILING.md")
	if err != nil {
		t.Fatal(err)
	}
	verified, rest, ok := strings.Cut(string(page), causalTitle)
	_, limited, found := strings.Cut(rest, limitedTitle)
	if !ok || !found {
		t.Fatal("CEILING.md has no causal form")
	}
	cells := func(table, row string) []string {
		for line := range strings.Lines(table) {
			if words := strings.Split(line, " | "); strings.TrimPrefix(words[0], "| ") == row {
				return strings.Split(strings.TrimSuffix(strings.TrimSpace(line), " |"), " | ")[1:]
			}
		}
		t.Fatalf("CEILING.md has no row %q", row)
		return nil
	}
	for _, s := range tableSignals() {
		for i, cell := range cells(verified, s.name) {
			if strings.Contains(cell, "+") {
				t.Errorf("%s at %+g dB: %s", s.name, tableDrives[i], cell)
			}
		}
	}
	for _, s := range upTo20kHz() {
		most := 0.05
		if s.name == "recorded speech" {
			most = 0.01
		}
		for i, cell := range cells(limited, s.name) {
			words := strings.Split(strings.ReplaceAll(cell, "−", "-"), " / ")
			for k, most := range []float64{0, 0, most} {
				if db, err := strconv.ParseFloat(words[k], 64); err != nil || db > most {
					t.Errorf("causal form, %s up to 20 kHz at %+g dB: %s", s.name, tableDrives[i], cell)
				}
			}
		}
	}
	const drive = 2 // of tableDrives
	const stale = "CEILING.md is out of date: go test ./chain -run TestCeilingPage -update, and look at what changed"
	const short = 14 // signal 20 of the standard
	for _, form := range []struct {
		table    string
		chosen   tableSignal
		verified bool
	}{{verified, tableSignals()[short], true}, {rest, tableSignals()[short], false}, {limited, upTo20kHz()[short], false}} {
		chosen := form.chosen
		if got, want := ceilingCell(t, chosen, tableDrives[drive], form.verified), cells(form.table, chosen.name)[drive]; got != want {
			t.Errorf("%s, verified %v: %s, want %s: %s", chosen.name, form.verified, got, want, stale)
		}
	}
	if got, want := loudnessCell(t, "fast", tableDrives[drive]), cells(limited, "fast")[drive-1]; got != want {
		t.Errorf("loudness: %s, want %s: %s", got, want, stale)
	}
}
