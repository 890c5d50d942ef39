package report

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"html"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/bench"
	"github.com/boothbench/boothbench/measure/expect"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/picture"
	"github.com/boothbench/boothbench/measure/proof"
)

const demo = "../../testdata/harbour-street"

func demoSettings(t *testing.T) TakeSettings {
	t.Helper()
	c, err := chain.Load(demo + ".toml")
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(demo + ".toml")
	if err != nil {
		t.Fatal(err)
	}
	limits, err := expect.Load(demo + "-limits.toml")
	if err != nil {
		t.Fatal(err)
	}
	return TakeSettings{Take: demo + ".wav", Chain: c, ChainText: text, Limits: limits, Workers: 1, Version: "boothbench, of a test"}
}

func readTake(t *testing.T, s TakeSettings) *Take {
	t.Helper()
	take, err := ReadTake(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	return take
}

var (
	pictureText = regexp.MustCompile(`(?s)<svg.*?</svg>`)
	tag         = regexp.MustCompile(`(?s)<style.*?</style>|<[^>]*>`)
)

// words is a page's text as a reader sees it, pictures left out.
func words(page []byte) string {
	return strings.Join(strings.Fields(html.UnescapeString(tag.ReplaceAllString(pictureText.ReplaceAllString(string(page), " "), " "))), " ")
}

// sound checks what holds for every page.
func sound(t interface {
	Errorf(string, ...any)
	Fatalf(string, ...any)
}, page []byte) {
	for _, banned := range []string{"<script", "src=", "<link", "@import", "url(h", "http:", "https:", "NaN", "+Inf", "FOOT"} {
		if clean := strings.ReplaceAll(string(page), `xmlns="http://www.w3.org/2000/svg"`, ""); strings.Contains(clean, banned) {
			t.Errorf("the page holds %q", banned)
		}
	}
	ids, used := map[string]bool{}, map[string]bool{}
	for _, picture := range pictureText.FindAllString(string(page), -1) {
		d := xml.NewDecoder(strings.NewReader(picture))
		for {
			token, err := d.Token()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("a picture is no XML: %v", err)
			}
			if e, ok := token.(xml.StartElement); ok {
				for _, a := range e.Attr {
					switch a.Name.Local {
					case "id":
						if ids[a.Value] {
							t.Errorf("id %q twice", a.Value)
						}
						ids[a.Value] = true
					case "aria-labelledby":
						for _, id := range strings.Fields(a.Value) {
							used[id] = true
						}
					case "fill":
						if ref, ok := strings.CutPrefix(a.Value, "url(#"); ok {
							used[strings.TrimSuffix(ref, ")")] = true
						}
					case "clip-path":
						used[strings.TrimSuffix(strings.TrimPrefix(a.Value, "url(#"), ")")] = true
					}
				}
			}
		}
	}
	for id := range used {
		if !ids[id] {
			t.Errorf("nothing has the id %q", id)
		}
	}
}

func TestTakePage(t *testing.T) {
	s := demoSettings(t)
	take := readTake(t, s)
	page := take.Page().HTML()
	sound(t, page)
	seen := words(page)
	title := "Take: harbour-street.wav"
	after := seen[strings.LastIndex(seen[:strings.Index(seen, "✓ pass")+1], title)+len(title):]
	if !strings.HasPrefix(strings.TrimSpace(after), "✓ pass Deliver harbour-street.wav processed through harbour-street.toml: all 3 limits are met; integrated loudness −17.06 LUFS, true peak −1.00 dBTP.") {
		t.Errorf("behind the title stands %.200q", after)
	}
	for _, readings := range []measure.Readings{take.Before.readings, take.After.readings} {
		for _, r := range readings {
			if !strings.Contains(seen, r.Name) || !strings.Contains(seen, strings.Join(strings.Fields(minus(r.String())), " ")) {
				t.Errorf("the page lacks %s, %s", r.Name, r.String())
			}
		}
	}
	for _, part := range []string{"sha256 " + take.Before.digest, "sha256 " + take.After.digest, "boothbench process harbour-street.wav --chain harbour-street.toml", "kind = \"expander\"", s.Version} {
		if !strings.Contains(seen, part) {
			t.Errorf("the page lacks %q", part)
		}
	}
	pauses, _ := take.Before.readings.Get("pauses_ms")
	if said := fmt.Sprintf("from %.2f s of pauses", pauses.Value/1000); !strings.Contains(seen, said) {
		t.Errorf("the sentence of the noise floor lacks %q", said)
	}
	for _, path := range []string{os.TempDir() + "/", "testdata"} {
		if strings.Contains(seen, path) {
			t.Errorf("the page holds the path %q", path)
		}
	}
	// The bytes depend on what was measured alone.
	s.Workers = 4
	if again := readTake(t, s).Page().HTML(); !bytes.Equal(page, again) {
		t.Error("with four goroutines the page is another one")
	}
	// The digest is that of the file that process writes.
	out := filepath.Join(t.TempDir(), "out.wav")
	take2 := &Take{TakeSettings: s, Before: side{path: s.Take}}
	if err := take2.process(context.Background(), out); err != nil {
		t.Fatal(err)
	}
	made := side{path: out}
	if err := made.read(context.Background(), -1); err != nil || made.digest != take.After.digest {
		t.Errorf("%v, digest %s; accepted: %s", err, made.digest, take.After.digest)
	}
}

// A take that exceeds its true peak, clips, and has markup in its name: the page starts with
// the failure, states what to do and where, and escapes the name.
func TestTakePageThatFails(t *testing.T) {
	folder := t.TempDir()
	name := filepath.Join(folder, "<b>x\u202e&\"'\x01.wav")
	x := make([]float64, 4*48000)
	for i := range x {
		x[i] = 0.3 * math.Sin(2*math.Pi*997*float64(i)/48000)
		if i > 96000 && i < 97000 { // 12 kHz, whose crests lie between the samples
			x[i] = 0.99 * math.Sin(2*math.Pi*float64(i)/4+math.Pi/4)
		}
	}
	w, err := wave.Create(name, wave.Format{Rate: 48000, Channels: 1, Encoding: wave.Integer, Bits: 16}, wave.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(dsp.Block{x}); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	limits, err := expect.AgainstSpec("ebu-r128")
	if err != nil {
		t.Fatal(err)
	}
	take := readTake(t, TakeSettings{Take: name, Processed: name, Limits: limits, Version: "v"})
	p := take.Page()
	page := p.HTML()
	sound(t, page)
	if bytes.Contains(page, []byte("<b>")) || bytes.Contains(page, []byte("\u202e")) {
		t.Error("the name is markup, or turns the text around")
	}
	if p.Verdict != measure.Fail || !strings.HasPrefix(p.Answer, "Do not deliver") || len(p.Do) == 0 {
		t.Errorf("found %v %q %q", p.Verdict, p.Answer, p.Do)
	}
	// A tone of 0.99 whose samples are ±0.70 reads −0.09 dBTP (AES17: 20 log10 0.99); its
	// abrupt ends ring, so that it may read more.
	found := false
	for _, w := range take.Worst {
		if strings.HasPrefix(w.title, "Over at 00:00:02.0") && w.stretch != nil {
			found = true
		}
	}
	if !found || take.After.overCount == 0 {
		t.Errorf("%d overs, and the places %+v", take.After.overCount, take.Worst)
	}
	take.Judgements = nil
	if p := take.Page(); p.Verdict != measure.Undecided || !strings.HasPrefix(p.Answer, "No limits were given") {
		t.Errorf("without limits: %v %q", p.Verdict, p.Answer)
	}
}

// sheet is a made-up proof with all verdicts and many lines.
func sheet() *proof.Sheet {
	s := &proof.Sheet{Subject: "folder/voice.toml", RateHz: 48000}
	for i := range 54 {
		l := measure.Between(fmt.Sprintf("claim%d_db", i), float64(i), 0.1)
		got := measure.Reading{Value: float64(i) + 0.01, Unit: "dB", Frame: -1, Channel: -1}
		s.Lines = append(s.Lines, proof.Line{Stage: []string{"highpass", "limiter"}[i/27], Condition: fmt.Sprintf("condition %d", i/5), Why: fmt.Sprintf("reason %d", i%26), Judgement: measure.Judge("x", 48000, measure.Readings{{Name: l.Reading, Reading: got}}, l)})
	}
	curve := proof.Curve{Stage: "highpass", Condition: "a sweep", WithinDB: 0.01, Deviation: measure.Reading{Value: 0.001, Unit: "dB"}, Table: measure.Table{Columns: []string{"frequency_hz", "gain_db", "declared_gain_db"}}}
	for hz := 10.0; hz < 24000; hz *= 1.1 {
		g := -10 * math.Log10(1+math.Pow(80/hz, 4))
		curve.Rows = append(curve.Rows, []float64{hz, g + 0.001, g})
	}
	s.Curves = []proof.Curve{curve}
	return s
}

func TestChainPage(t *testing.T) {
	s := sheet()
	p := Chain(s, []byte("schema = 1\n<b>\n"), "v")
	sound(t, p.HTML())
	if p.Verdict != measure.Pass || p.Answer != "54 of 54 claims hold: voice.toml meets its claims." {
		t.Errorf("found %v %q", p.Verdict, p.Answer)
	}
	seen := words(p.HTML())
	for _, l := range s.Lines {
		if !strings.Contains(seen, l.Reading+" "+minus(l.Got.String()+" "+l.Limit.String())) {
			t.Errorf("the page lacks %s", l.Reading)
		}
	}
	if got := strings.Count(seen, "reason 7"); got != 1 {
		t.Errorf("a reason stands %d times; accepted: once", got)
	}
	if strings.Contains(seen, "folder/") {
		t.Error("the page holds a path")
	}
	if got := p.Pictures(); len(got) != 1 || !strings.Contains(got[0].Caption, "differ by at most 0.0010 dB") {
		t.Errorf("%d pictures, the first says %q", len(got), got[0].Caption)
	}
	// One that fails, and one that could not be measured, stand first.
	s.Lines[40].Verdict = measure.Fail
	s.Lines[7].Verdict = measure.Undecided
	p = Chain(s, nil, "v")
	if p.Verdict != measure.Fail || p.Answer != "voice.toml does not meet its claims: 1 of 54 fails." || p.Sections[0].Title != "What did not pass" || len(p.Sections[0].Table.Rows) != 2 {
		t.Errorf("found %v %q, first %q", p.Verdict, p.Answer, p.Sections[0].Title)
	}
}

func devices(count int) Comparison {
	c := Comparison{Verdict: measure.Pass, Answer: "Device 2 is the quietest.", Differs: []string{"Device 1 was recorded at 44100 Hz."}}
	var best []bool
	var noise, open []measure.Reading
	curve := ComparedCurve{Name: "response", Title: "Response", Caption: "Within -0.2 dB.", X: "frequency", XUnit: "Hz", Y: "gain", YUnit: "dB", LogX: true}
	for i := range count {
		c.Devices = append(c.Devices, fmt.Sprintf("Device %d", i+1))
		best = append(best, i == 1)
		noise = append(noise, measure.Reading{Value: -90 - float64(i%2), Unit: "dBFS"})
		open = append(open, measure.Reading{Reason: "no recording"})
		table := measure.Table{}
		for hz := 10.0; hz < 24000; hz *= 1.1 {
			table.Rows = append(table.Rows, []float64{hz, -float64(i) * hz / 20000})
		}
		curve.Tables = append(curve.Tables, table)
	}
	c.Rows = []ComparedReading{{Name: "idle_noise_a_dbfs", Got: noise, Best: best}, {Name: "thd_total_db", Got: noise, Best: best, Equal: true}, {Name: "gain_db", Got: append([]measure.Reading{open[0]}, noise[1:]...), Why: "one lacks it", Best: best}, {Group: "response at -12 dBFS", Name: "latency_ms", Got: open, Why: "all lack it", Best: best}}
	c.Curves = []ComparedCurve{curve}
	return c
}

func TestDevicesPage(t *testing.T) {
	page := Devices(devices(4), "v").HTML()
	sound(t, page)
	seen := words(page)
	if strings.Count(seen, "▲ −91.00 dBFS") != 1 || !strings.Contains(seen, "cannot be compared: one lacks it") || !strings.Contains(seen, " equal") {
		t.Error("the marks of a row are wrong:", seen)
	}
	if !strings.Contains(seen, "Not measurable in any device reading why response at −12 dBFS: latency_ms no recording") || strings.Contains(seen, "all lack it") {
		t.Error("what no device has is not folded:", seen)
	}
	if strings.Index(seen, "44100") > strings.Index(seen, "idle_noise") {
		t.Error("what differs stands below the figures")
	}
	if p := Devices(devices(6), "v").Pictures()[0]; len(p.Panels) != 6 || p.Panels[0].Y.Min != p.Panels[5].Y.Min {
		t.Errorf("six devices have %d panels; accepted: small multiples on the same axes", len(p.Panels))
	}
}

// sheetsOf are the sheets of two simulated devices by one plan: what a bench writes.
func sheetsOf(t *testing.T) []*bench.Sheet {
	t.Helper()
	plan, err := bench.ReadPlan("plan.toml", []byte(`schema = 1
device = "A"
[[path]]
kind = "effect"
name = "line"
level_dbfs = -20
rates_hz = [48000]
channels = 2
tests = ["response", "idle-noise"]
[[path]]
kind = "processor"
name = "voice"
level_dbfs = -20
rates_hz = [48000]
tests = ["static-curve"]
`))
	if err != nil {
		t.Fatal(err)
	}
	var all []*bench.Sheet
	for _, text := range []string{"schema = 1\n[[stage]]\nkind = \"highpass\"\ncorner_hz = 100\n", "schema = 1\n[[stage]]\nkind = \"compressor\"\nthreshold_dbfs = -30\n"} {
		c, err := chain.Parse("device.toml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		s, err := bench.Run(context.Background(), plan, func(bench.Condition) (instrument.Device, error) { return c, nil }, func(string, int, int) {})
		if err != nil {
			t.Fatal(err)
		}
		s.Device = "Device " + string(rune('A'+len(all)))
		all = append(all, s)
	}
	return all
}

// The page of real sheets: curves of both devices on the same axes, with the figures of
// the sheets; a sheet without curves is noted.
func TestSheetsPage(t *testing.T) {
	dsptest.Exhaustive(t)
	sheets := sheetsOf(t)
	p := Devices(OfSheets(sheets, []string{"a.json", "b.json"}, nil), "v")
	sound(t, p.HTML())
	pictures := p.Pictures()
	if len(pictures) != 3 { // the response of two channels, and a static curve
		t.Fatalf("%d pictures: %+v", len(pictures), p.Sections)
	}
	// A high-pass of the second order by Butterworth is 3.01 dB down at its corner, a
	// chain's standard slope of 12 dB an octave: |H|² = 1/2 there.
	series := pictures[0].Panels[0].Series
	for i, want := range []float64{-3.01, 0} {
		found := false
		for _, q := range series[i].Points {
			if math.Abs(q.X/100-1) < 0.01 {
				found = true
				slope := 12.1 * math.Abs(math.Log2(q.X/100)) // dB: the grid has no point at 100 Hz itself
				if i == 0 && math.Abs(q.Y-want) > 0.05+slope {
					t.Errorf("device %d has %.3f dB at %.2f Hz, want %.2f", i+1, q.Y, q.X, want)
				}
			}
		}
		if !found || series[i].Name != sheets[i].Device {
			t.Errorf("device %d, %q, has no point at 100 Hz", i+1, series[i].Name)
		}
	}
	if static := pictures[2]; !strings.HasPrefix(static.Title, "Static curve, voice") || static.Panels[0].X.Name != "input" {
		t.Errorf("the third picture is %q, over %q", static.Title, static.Panels[0].X.Name)
	}
	// What the sheet's file holds is what was drawn.
	text, err := json.Marshal(sheets[0])
	if err != nil {
		t.Fatal(err)
	}
	var read bench.Sheet
	if err := json.Unmarshal(text, &read); err != nil || !reflect.DeepEqual(read.Curves, sheets[0].Curves) || len(read.Curves) != 3 {
		t.Errorf("%v, %d curves read back", err, len(read.Curves))
	}
	sheets[1].Curves = nil
	p = Devices(OfSheets(sheets, []string{"a.json", "b.json"}, nil), "v")
	if seen := words(p.HTML()); len(p.Pictures()) != 0 || !strings.Contains(seen, "b.json has no curves") || !strings.Contains(seen, "3 curves of a.json not drawn") {
		t.Errorf("of a sheet without curves the page says %.600s", seen)
	}
}

// Two versions of one sound: their difference is drawn in third octaves, with the level that
// was added. A page with a chain has no such picture.
func TestResidualOfTwoVersions(t *testing.T) {
	folder := t.TempDir()
	a := dsptest.Speechlike(48000, 1, 3*48000, 1)
	b := dsp.Block{slices.Clone(a[0])}
	for n := range b[0] { // half as loud, and 1 kHz at −60 dBFS (rms −63.01) more
		b[0][n] = 0.5*a[0][n] + 0.001*math.Sin(2*math.Pi*1000*float64(n)/48000)
	}
	var names []string
	for i, x := range []dsp.Block{a, b} {
		names = append(names, filepath.Join(folder, fmt.Sprintf("%c.wav", 'a'+i)))
		w, err := wave.Create(names[i], wave.Format{Rate: 48000, Channels: 1, Encoding: wave.Float, Bits: 32}, wave.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(w.Write(x), w.Commit()); err != nil {
			t.Fatal(err)
		}
	}
	p := readTake(t, TakeSettings{Take: names[0], Processed: names[1], Version: "v"}).Page()
	found := false
	for _, q := range p.Pictures() {
		if q.Name != "difference" {
			continue
		}
		found = true
		for _, at := range q.Panels[0].Series[0].Points {
			// On A's level the tone is twice as high: −63.01 + 6.02 dBFS. 0.2 dB for the
			// neighbouring bands' share and the level's match.
			if math.Abs(at.X/1000-1) < 0.05 && math.Abs(at.Y+56.99) > 0.2 {
				t.Errorf("%.2f dBFS at %.0f Hz, want -56.99", at.Y, at.X)
			}
			if at.X > 2500 && at.Y > -90 {
				t.Errorf("%.2f dBFS at %.0f Hz, where nothing was added", at.Y, at.X)
			}
		}
		if !strings.Contains(q.Caption, "A is a.wav, B b.wav. B is 6.02 dB quieter") {
			t.Errorf("it says %q", q.Caption)
		}
	}
	if !found {
		t.Error("there is no picture of the difference")
	}
	for _, q := range readTake(t, demoSettings(t)).Page().Pictures() {
		if q.Name == "difference" {
			t.Error("a chain's page has a difference")
		}
	}
}

// Half an hour: the page is small.
func TestPageOfHalfAnHour(t *testing.T) {
	dsptest.Exhaustive(t)
	r, err := wave.Open(demo + ".wav")
	if err != nil {
		t.Fatal(err)
	}
	b := dsp.NewBlock(1, int(r.Frames()))
	if _, err := r.Read(b); err != nil {
		t.Fatal(err)
	}
	r.Close()
	name := filepath.Join(t.TempDir(), "long.wav")
	w, err := wave.Create(name, r.Format(), wave.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for range 135 {
		if err := w.Write(b); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	s := demoSettings(t)
	s.Take = name
	p := readTake(t, s).Page()
	for _, q := range p.Pictures() {
		if n := len(picture.SVG(q, picture.File)); n > 120_000 {
			t.Errorf("the picture %s of half an hour has %d bytes; accepted: 120000", q.Name, n)
		}
	}
	page := p.HTML()
	t.Logf("%d bytes", len(page))
	if len(page) > 300_000 {
		t.Errorf("the page of half an hour has %d bytes; accepted: 300000", len(page))
	}
}

var update = flag.Bool("update", false, "write the demo's pictures in testdata anew")

// testdata/pictures, which the README shows, holds the pictures of the demo's page.
func TestDemoPictures(t *testing.T) {
	const folder = "../../testdata/pictures"
	want := map[string]string{}
	for _, p := range readTake(t, demoSettings(t)).Page().Pictures() {
		want[p.Name+".svg"] = picture.SVG(p, picture.File) + "\n"
	}
	if *update {
		for name, text := range want {
			if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	entries, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	if len(entries) != len(want) {
		t.Errorf("%s holds %d files; accepted: %d", folder, len(entries), len(want))
	}
	for name, text := range want {
		if got, err := os.ReadFile(filepath.Join(folder, name)); err != nil || string(got) != text {
			t.Errorf("%s is not the picture that the demo gives now (%v): look at it, then run the test with -update", name, err)
		}
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`testdata/pictures/([a-z0-9-]+\.svg)`).FindAllStringSubmatch(string(readme), -1) {
		if want[m[1]] == "" {
			t.Errorf("the README shows %s, which nothing makes", m[1])
		}
	}
}
