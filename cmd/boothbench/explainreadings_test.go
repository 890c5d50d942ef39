package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/expect"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/proof"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// withNumbers is a name of the table with numbers in it: harmonic2_db for harmonicN_db.
func withNumbers(reading string) string {
	switch {
	case strings.HasPrefix(reading, "residual_N"), strings.HasPrefix(reading, "gain_at_N"), strings.HasPrefix(reading, "group_delay_at_N"):
		return strings.Replace(reading, "N", "1000", 1)
	case strings.Contains(reading, "NtoN"):
		return strings.Replace(reading, "NtoN", "1to2", 1)
	}
	return strings.Replace(reading, "N", "2", 1)
}

// neededKeys are what an [[expect]] of a limits file can need, by availability.Limits.
var neededKeys = map[string]string{
	ofFiles: "", "like = …": "like = \"take.wav\"\n", "baseline = …": "baseline = \"base\"\n", "through = …": "through = \"chain.toml\"\n", "chain = …": "chain = \"chain.toml\"\n",
}

// Every reading has a command, and limits files and claims files accept it exactly where the
// table says so.
func TestReadingsAreAcceptedWhereTheTableSays(t *testing.T) {
	known := map[string]bool{}
	for _, name := range measure.ReadingNames() {
		known[name] = true
	}
	for _, row := range givenBy {
		for _, name := range measure.WrittenOut(row[0]) {
			if !known[name] {
				t.Errorf("%s, of %s, is no reading", name, row[1])
			}
		}
	}
	for _, name := range measure.ReadingNames() {
		s := availabilityOf(name)
		if len(s.Commands) == 0 {
			t.Errorf("%s: no command gives it", name)
		}
		limit := withNumbers(name) + " = { max = 1 }\n"
		for needs, keys := range neededKeys {
			text := "schema = 1\n[[expect]]\n" + keys + limit
			_, err := expect.Parse("limits.toml", []byte(text))
			// What comes out of a chain is metered too, and a file with a like or a baseline is a file.
			allowed := s.Limits == needs || s.Limits == ofFiles && (needs == "like = …" || needs == "baseline = …" || needs == "through = …" && !strings.HasPrefix(s.Commands[0], "boothbench inspect"))
			if (err == nil) != allowed {
				t.Errorf("%s in a limits file with %q: %v; the table says %q", name, keys, err, s.Limits)
			}
		}
		for _, description := range instrument.ExampleStimuli() {
			text := "schema = 1\n[[test]]\nstimulus = { " + asTOML(description) + " }\n"
			if strings.HasPrefix(name, "slope_") { // the corner says on which side it is
				text += "corner_hz = { max = 20 }\n"
			}
			if name == "mask_excess_db" {
				text += "response_mask = { points = [{ hz = 50, min = -1, max = 1 }, { hz = 15000, min = -1, max = 1 }] }\n"
			} else {
				text += limit
			}
			_, err := proof.ParseClaims("claims.toml", []byte(text))
			allowed := slices.Contains(s.Claims, ofRecordings)
			for _, said := range s.Claims {
				allowed = allowed || description == said || strings.HasPrefix(description, said+" ") && hasSameInstrument(description, name)
			}
			if (err == nil) != allowed {
				t.Errorf("%s in a claims file with %s: %v; the table says %q", name, description, err, s.Claims)
			}
		}
	}
}

// hasSameInstrument reports whether a signal with more settings still gives a reading:
// twin tones close together are for other distortion than those far apart.
func hasSameInstrument(description, reading string) bool {
	s, err := stimulus.Parse(description)
	return err == nil && measure.IsReadingOf(withNumbers(reading), instrument.ReadingsFor(s)...)
}

func asTOML(description string) string {
	words := strings.Fields(description)
	for i, w := range words {
		key, value, _ := strings.Cut(w, "=")
		if key == "kind" {
			value = `"` + value + `"`
		}
		words[i] = key + " = " + value
	}
	return strings.Join(words, ", ")
}

// word is a name as JSON has it, as a key or a value.
var word = regexp.MustCompile(`"([a-z][a-z0-9_]*)"`)

// plusMinusUnit is a reading whose bound has a ±, with the units of both.
var plusMinusUnit = regexp.MustCompile(`"unit":"([^"]*)"[^{}]*"bound":"±[0-9.e+-]+ ([^ ",;:]+)`)

// Each reading is tried: its command prints it, a limits file and a claims file judge it, a
// sheet contains it, and its ± is in its own unit.
func TestReadingsArePrintedWhereTheTableSays(t *testing.T) {
	dsptest.Exhaustive(t)
	program, err := exec.LookPath("boothbench")
	if err != nil {
		t.Fatal(err)
	}
	demo, err := filepath.Abs("../../testdata")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	run := func(args ...string) string { // whatever the verdict
		t.Helper()
		c := exec.Command(program, args...)
		c.Dir = dir
		var said strings.Builder
		c.Stderr = &said
		out, err := c.Output()
		if code := c.ProcessState.ExitCode(); code > 1 {
			t.Fatalf("%q: %v\n%s", args, err, &said)
		}
		return string(out)
	}
	chain := "schema = 1\n[[stage]]\nkind = \"highpass\"\ncorner_hz = 80\n[[stage]]\nkind = \"equaliser\"\n[[stage.band]]\nshape = \"bell\"\ncentre_hz = 3000\ngain_db = 3\n[[stage.band]]\nshape = \"high-shelf\"\ncentre_hz = 8000\ngain_db = -3\n[[stage.band]]\nshape = \"notch\"\ncentre_hz = 1000\nq = 5\n" +
		"[[stage]]\nkind = \"expander\"\nthreshold_dbfs = -50\n[[stage]]\nkind = \"compressor\"\nthreshold_dbfs = -30\n[[stage]]\nkind = \"de-esser\"\nthreshold_dbfs = -40\n[[stage]]\nkind = \"limiter\"\ndrive_db = 6\n"
	write("chain.toml", chain)
	stereo(t, filepath.Join(demo, "harbour-street.wav"), filepath.Join(dir, "take.wav"))
	run("process", "take.wav", "--chain", "chain.toml", "--out", "out.wav")
	run("check", "take.wav", "--record", "base", "--why", "first")
	run("tone", "impulse", "--out", "impulse.wav")
	run("process", "impulse.wav", "--chain", filepath.Join(demo, "harbour-street.toml"), "--out", "recorded.wav", "--keep-delay")
	run("tone", "sweep", "--seconds", "2", "--out", "sweep.wav")
	run("process", "sweep.wav", "--chain", filepath.Join(demo, "harbour-street.toml"), "--out", "swept.wav", "--keep-delay")
	write("claims.toml", claimsOfAsked)
	write("plan.toml", "schema = 1\ndevice = \"a wire\"\nrepeats = 1\n"+planOfAll())
	write("quieter.toml", "schema = 1\n[[stage]]\nkind = \"gain\"\ngain_db = -1\n")
	write("even.toml", "schema = 1\n[[stage]]\nkind = \"gain\"\ngain_db = 0\n")
	write("load.sh", "if test \"$1\" = 32; then exec boothbench process \"$2\" --chain quieter.toml --out \"$3\" --quiet --bits 16; fi; exec boothbench process \"$2\" --chain even.toml --out \"$3\" --quiet --bits 16\n")

	// How to run each command of the table.
	lines := map[string][]string{
		"meter FILE":                           {"meter", "take.wav", "--json"},
		"inspect FILE":                         {"inspect", "take.wav", "--json"},
		"compare A B":                          {"compare", "take.wav", "out.wav", "--json"},
		"check FILE --limits LIMITS.toml":      nil, // below
		"check --limits LIMITS.toml":           nil,
		"check FILE --baseline FOLDER":         nil,
		"gauge --recording STIMULUS RECORDING": {"gauge", "--recording", "impulse.wav", "recorded.wav", "--json"},
		"gauge --recording SWEEP RECORDING":    {"gauge", "--recording", "sweep.wav", "swept.wav", "--json"},
		"overshoot":                            {"overshoot", "--chain", "chain.toml", "--json"},
		"prove --claims CLAIMS.toml":           {"prove", "--claims", "claims.toml", "--exec", "cp {in} {out}", "--json"},
		"prove CHAIN":                          {"prove", "chain.toml", "--json"},
		"units ein":                            {"units", "ein", "--noise", "-88 dBu", "--gain-db", "40", "--source-ohm", "150", "--bandwidth-hz", "20000", "--weighting", "none", "--json"},
		"units output-impedance":               {"units", "output-impedance", "--json", "--open", "0 dBV", "--loaded", "-1 dBV", "--load-ohm", "100"},
		"units loading":                        {"units", "loading", "--source-ohm", "10", "--dc-ohm", "40", "--peak-ohm", "120", "--resonance-hz", "90", "--q", "2", "--json"},
		"bench run PLAN.toml":                  {"bench", "run", "plan.toml", "--exec", "sh load.sh {load_ohm} {in} {out}", "--device", "a wire", "--out", "sheet.json"},
		"process FILE --json":                  {"process", "take.wav", "--chain", "chain.toml", "--out", "again.wav", "--json"},
	}
	given := map[string]map[string]bool{}
	names := func(text string) map[string]bool {
		set := map[string]bool{}
		for _, m := range word.FindAllStringSubmatch(text, -1) {
			set[m[1]] = true
		}
		return set
	}
	gauged := map[string]string{}
	for _, description := range instrument.ExampleStimuli() {
		flags := strings.Fields(flagsOf(description))
		gauged["gauge "+flagsOf(description)] = description
		lines["gauge "+flagsOf(description)] = append(append([]string{"gauge"}, flags...), "--chain", "chain.toml", "--json")
	}
	for command, args := range lines {
		if args == nil {
			continue
		}
		out := run(args...)
		if command == "bench run PLAN.toml" {
			text, err := os.ReadFile(filepath.Join(dir, "sheet.json"))
			if err != nil {
				t.Fatal(err)
			}
			out = string(text)
		}
		given[command] = names(out)
		for _, m := range plusMinusUnit.FindAllStringSubmatch(out, -1) {
			if m[1] != m[2] && m[1] != m[2]+" to 1" && !(m[2] == "dB" && strings.HasPrefix(m[1], "dB")) { // a level in dBFS may be off by dB
				t.Errorf("%s: a reading in %q has a ± in %q: %s", command, m[1], m[2], m[0])
			}
		}
	}
	gives := func(command, reading string) bool {
		for got := range given[command] {
			if measure.IsReadingOf(got, reading) {
				return true
			}
		}
		return false
	}
	// The readings of a limits file, by what its [[expect]] needs.
	limits := map[string]string{}
	for _, name := range measure.ReadingNames() {
		s := availabilityOf(name)
		for _, command := range s.Commands {
			words, isCommand := strings.CutPrefix(command, "boothbench ")
			if !isCommand || strings.HasPrefix(words, "check") {
				continue
			}
			if _, known := lines[words]; !known {
				t.Errorf("%s: no test runs %s", name, command)
			} else if !gives(words, name) && !rare[name] {
				t.Errorf("%s: %s does not give it", name, command)
			}
		}
		if s.Limits != "" {
			limits[s.Limits] += withNumbers(name) + " = { max = 1e9 }\n"
		}
		if s.Sheet && !gives("bench run PLAN.toml", name) && !rare[name] {
			t.Errorf("%s: no sheet holds it", name)
		}
		if !s.Sheet && gives("bench run PLAN.toml", name) && !strings.Contains("rate_hz duration_s channels", name) {
			t.Errorf("%s: a sheet holds it, and the table does not say so", name)
		}
	}
	// No instrument gives more than is said of its signal. The findings of gauge are a list, and
	// no reading.
	for command, description := range gauged {
		for got := range given[command] {
			if name, isReading := writtenName(got); isReading && name != "rate_hz" && name != "channels" && name != "findings" && !slices.Contains(availabilityOf(name).Claims, description) && !hasSameInstrument(description, name) {
				t.Errorf("%s: %s gives it, and the table does not say so", got, command)
			}
		}
	}
	judged := regexp.MustCompile(`"reading":"([a-z0-9_]+)","verdict":"([a-z]+)","got":\{("value":null[^}]*"reason":"([^"]*)")?`)
	for needs, text := range limits {
		file := "limits-" + strings.Fields(needs)[0] + ".toml"
		write(file, "schema = 1\n[[expect]]\n"+neededKeys[needs]+text)
		args := []string{"check", "out.wav", "--limits", file, "--json"}
		switch needs {
		case "chain = …":
			args = []string{"check", "--limits", file, "--json"}
		case "baseline = …", "through = …":
			args[1] = "take.wav"
		}
		seen := map[string]bool{}
		for _, m := range judged.FindAllStringSubmatch(run(args...), -1) {
			of, _, _ := strings.Cut(m[1], "_ch")
			seen[m[1]], seen[of] = true, true
			if name, _ := writtenName(m[1]); strings.Contains(m[4], "no instrument") && !rare[name] {
				t.Errorf("%s in a limits file, %s: %s", m[1], needs, m[4])
			}
		}
		for _, line := range strings.Split(strings.TrimSpace(text), "\n") {
			if name, _, _ := strings.Cut(line, " "); !seen[name] {
				t.Errorf("%s in a limits file, %s: it is not judged", name, needs)
			}
		}
	}
	// A device is held to each.
	for _, description := range instrument.ExampleStimuli() {
		var claims strings.Builder
		fmt.Fprintf(&claims, "schema = 1\ndevice = \"a wire\"\n[[test]]\nstimulus = { %s }\n", asTOML(description))
		own := 0
		for got := range given["gauge "+flagsOf(description)] {
			if name, isReading := writtenName(got); isReading && (slices.Contains(availabilityOf(name).Claims, description) || hasSameInstrument(description, name)) {
				fmt.Fprintf(&claims, "%s = { max = 1e9 }\n", got)
				own++
			}
		}
		if own == 0 {
			t.Errorf("%s: nothing can be claimed", description)
			continue
		}
		write("device.toml", claims.String())
		out := run("prove", "--claims", "device.toml", "--exec", "cp {in} {out}", "--json")
		if n := strings.Count(out, `"reading":`); n != own || strings.Contains(out, "no such reading") {
			t.Errorf("%s: %d claims, %d lines: %s", description, own, n, out)
		}
	}
}

// rare are readings that only some sounds have, and a document says so.
var rare = map[string]bool{
	"lower_noise_floor_dbfs": true, "higher_noise_share": true, "softer_speech_dbfs": true, "louder_speech_dbfs": true, // the floor rises; two voices
	"gain_at_Nhz_db": true, "residual_Nhz_dbfs": true, // only what is asked for; third octaves of their own names
	"maximum_level_dbu": true, "maximum_output_dbu": true, // of a device that clips: tests of bench
	"linearity_N_db": true, // of a series that goes above its reference level
}

// stereo writes a take twice into two channels.
func stereo(t *testing.T, name, to string) {
	t.Helper()
	r, err := wave.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	mono := dsp.NewBlock(1, int(r.Frames()))
	if _, err := r.Read(mono); err != nil {
		t.Fatal(err)
	}
	w, err := wave.Create(to, wave.Format{Rate: r.Format().Rate, Channels: 2, Encoding: wave.Integer, Bits: 24}, wave.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(dsp.Block{mono[0], mono[0]}); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
}

// claimsOfAsked is a claims file of what is read only where it is asked for.
const claimsOfAsked = `schema = 1
device = "a wire"
[[test]]
stimulus = { kind = "sweep", seconds = 2 }
gain_at_31p5hz_db = { max = 1 }
gain_at_2500hz_db = { max = 1 }
gain_at_2p5khz_db = { max = 1 }
corner_hz = { max = 20 }
slope_db_per_octave = { max = 20 }
response_mask = { points = [{ hz = 50, min = -1, max = 1 }, { hz = 15000, min = -1, max = 1 }] }
`

// planOfAll is a plan with a test of each example signal, with a load and with an input
// that is terminated.
func planOfAll() string {
	var tests strings.Builder
	names := map[bool]string{}
	for i, description := range instrument.ExampleStimuli() {
		fmt.Fprintf(&tests, "[[test]]\nname = \"signal %d\"\nstimulus = \"%s\"\n", i, description)
		names[strings.Contains(description, "channels=2") || strings.Contains(description, "link-tones")] += fmt.Sprintf("\"signal %d\", ", i)
	}
	return tests.String() + `
[[path]]
name = "all"
kind = "loopback"
setup = "a wire"
level_dbfs = -6
together = true
tests = [` + names[false] + `]
[[path]]
name = "two channels"
kind = "loopback"
setup = "two wires"
channels = 2
level_dbfs = -6
tests = [` + names[true] + `]
[[path]]
name = "headphone output"
kind = "headphone-output"
setup = "a wire"
channels = 2
level_dbfs = -10
loads_ohm = [0, 32]
calibration = "0 dBFS = +12 dBu"
sensitivity_db_spl_per_mw = 110
headphone_ohm = 32
headphone_peak_ohm = 90
headphone_resonance_hz = 100
headphone_q = 2
tests = ["idle-noise", "balance"]
[[path]]
name = "limiter"
kind = "limiter"
setup = "a wire"
level_dbfs = -40
ceiling_dbtp = -26
together = true
tests = ["overshoot"]
[[path]]
name = "input"
kind = "line-input"
setup = "a wire"
gains_db = [0, 1]
level_dbfs = 0
calibration = "0 dBFS = +18 dBu"
input_calibration = "0 dBFS = +18 dBu"
tests = ["maximum-level"]
[[path]]
name = "microphone input"
kind = "microphone-input"
setup = "a wire"
gains_db = [20]
level_dbfs = -30
source_ohm = 150
calibration = "0 dBFS = +18 dBu"
tests = ["input-noise"]
`
}
