package report

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/proof"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// DeviceSettings are a device and the source of its responses: Device, or Recordings where
// Device is nil.
type DeviceSettings struct {
	Name       string
	Device     instrument.Device
	Rate       int // in Hz, of Device; recordings have their own
	Recordings []instrument.Recorded
	Claims     *proof.Claims // claims about the device; nil: none
	Version    string        // of the program
	Repeat     []string      // the commands that make the page again
}

// Device is a device and its measurements.
type Device struct {
	DeviceSettings
	Tests []DeviceTest
	Sheet *proof.Sheet // the results of the claims; nil: there are no claims

	responses []io.Closer
}

// DeviceTest is one test signal and the device's response to it.
type DeviceTest struct {
	Signal   stimulus.Signal // nil: the recording could not be read
	Failed   string          // why there are no readings, "" where there are
	Rate     int             // in Hz
	Readings measure.Readings
	Findings []measure.Finding
	response instrument.Response
	Table    measure.Table // the curve, with no columns where there is none
	// Name, SHA-256 and format of a recording; zero for a Device.
	Recording, Digest string
	Format            wave.Format
	// Exchanged states the formats of the files that a command read and wrote; "": there is none.
	Exchanged string
}

// standardTests are the test signals for a device without claims.
func standardTests() []stimulus.Signal {
	return []stimulus.Signal{
		stimulus.StandardSweep(stimulus.DefaultPeakDBFS), stimulus.StandardTone(stimulus.DefaultPeakDBFS), stimulus.Silence{Seconds: 10},
	}
}

// ReadDevice measures a device. Shown, which may be nil, is called before each test. Where
// the device fails or a recording cannot be used, the other tests are returned together with
// the error.
func ReadDevice(ctx context.Context, s DeviceSettings, shown func(test string, i, of int)) (*Device, error) {
	d := &Device{DeviceSettings: s}
	defer d.closeResponses()
	signals := standardTests()
	switch {
	case s.Device == nil:
		signals = make([]stimulus.Signal, len(s.Recordings))
	case s.Claims != nil:
		signals = nil
		for _, t := range s.Claims.Tests {
			signals = append(signals, t.Stimulus)
		}
	}
	var failed error
	rate := 0 // of the tests that were read
	for i, signal := range signals {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		name := "a recording"
		if signal != nil {
			name = stimulus.Describe(signal)
		}
		if failed != nil && s.Device != nil { // it is not run again
			d.Tests = append(d.Tests, DeviceTest{Signal: signal, Rate: s.Rate, Failed: "the device failed before: " + failed.Error()})
			continue
		}
		if shown != nil {
			shown(name, i, len(signals))
		}
		exchanged := ""
		if c, ok := s.Device.(*instrument.Command); ok {
			c.Exchanged = func(sent, received wave.Format) {
				exchanged = fmt.Sprintf("written for the command in %s; it wrote %s", sampleText(sent), sampleText(received))
			}
		}
		t, err := d.test(ctx, i, signal)
		t.Exchanged = exchanged
		switch {
		case err != nil && ctx.Err() != nil:
			return nil, err
		case err != nil:
			failed = errors.Join(failed, err)
			t = DeviceTest{Signal: signal, Rate: s.Rate, Failed: err.Error()}
			if s.Device == nil {
				t.Recording = filepath.Base(s.Recordings[i].Recording)
			}
		case rate != 0 && rate != t.Rate:
			return nil, fmt.Errorf("%s: found %d Hz; accepted: %d Hz, as the recordings before it", t.Recording, t.Rate, rate)
		default:
			rate = t.Rate
		}
		d.Tests = append(d.Tests, t)
	}
	if rate == 0 {
		return nil, failed
	}
	for i := range d.Tests {
		d.Tests[i].Rate = rate
	}
	if s.Claims == nil {
		return d, failed
	}
	if c := s.Claims.Calibration; c != nil {
		defer func() {
			for i := range d.Tests {
				d.Tests[i].Readings = d.Tests[i].Readings.Calibrated(*c)
			}
		}()
	}
	read := map[string]proof.Answer{}
	for i, t := range d.Tests {
		if t.Signal != nil {
			read[stimulus.Describe(t.Signal)] = proof.Answer{Readings: t.Readings, Response: t.response, Failed: t.Failed}
		}
		d.Tests[i].response = nil
	}
	var err error
	if d.Sheet, err = s.Claims.Held(rate, read); err != nil {
		return nil, err
	}
	return d, failed
}

// test measures the device with one signal, or measures one recording.
func (d *Device) test(ctx context.Context, i int, signal stimulus.Signal) (t DeviceTest, err error) {
	var sound instrument.Response
	if d.Device == nil {
		pair := d.Recordings[i]
		var a *instrument.Alignment
		if signal, a, err = pair.Align(); err != nil {
			return t, err
		}
		d.responses = append(d.responses, a)
		readings, err := a.Read(signal)
		if err != nil {
			return t, fmt.Errorf("%s: %w", pair.Recording, err)
		}
		t = DeviceTest{Signal: signal, Rate: a.Rate, Readings: a.Readings.With(readings), Findings: a.Findings, Recording: filepath.Base(pair.Recording)}
		sound = a.Sound
		r, err := wave.Open(pair.Recording)
		if err != nil {
			return t, err
		}
		t.Format = r.Format()
		r.Close()
		if t.Digest, err = digestOf(pair.Recording); err != nil {
			return t, err
		}
	} else {
		t = DeviceTest{Signal: signal, Rate: d.Rate}
		played, err := signal.Make(d.Rate)
		if err != nil {
			return t, err
		}
		stored, err := instrument.RespondStored(ctx, d.DeviceSettings.Device, d.Rate, played)
		if err != nil {
			return t, err
		}
		d.responses = append(d.responses, stored)
		sound = stored
		if t.Readings, err = instrument.AnalyseAll(signal, d.Rate, sound); err != nil {
			return t, err
		}
		if t.Findings, err = instrument.MovingGain(signal, d.Rate, sound); err != nil {
			return t, err
		}
	}
	if d.Claims != nil {
		t.response = sound
	} else {
		defer d.closeResponses()
	}
	for _, i := range instrument.For(signal) {
		if tabled, ok := i.(instrument.Tabled); ok {
			if t.Table, err = tabled.Table(t.Rate, sound); err != nil {
				return t, err
			}
			break
		}
	}
	return t, nil
}

// closeResponses removes the temporary files of the responses.
func (d *Device) closeResponses() {
	for _, r := range d.responses {
		r.Close()
	}
	d.responses = nil
}

// Page is the page of a device: does it meet its claims, and can the figures be trusted?
func (d *Device) Page() Page {
	p := Page{Title: "Device: " + d.Name}
	p.Verdict, p.Answer = d.answer()
	for _, t := range d.Tests {
		if t.Failed != "" {
			p.Do = append(p.Do, fmt.Sprintf("%s: nothing could be measured: %s.", d.subject(t), strings.TrimSuffix(t.Failed, ".")))
		}
		for _, f := range t.Findings {
			p.Do = append(p.Do, fmt.Sprintf("%s: %s. %s.", d.subject(t), f.What, upper(f.Do)))
		}
	}
	p.About = dsp.Plural(len(d.Tests), "test") + ". " + d.calibration()
	if len(d.Tests) > 0 {
		p.About = fmt.Sprintf("%s at %d Hz. %s", dsp.Plural(len(d.Tests), "test"), d.Tests[0].Rate, d.calibration())
	}
	reasons := &reasonList{}
	if d.Sheet != nil {
		p.Sections = append(p.Sections, Section{Title: "Claims", Table: claimsTable(d.Sheet.Lines, reasons)})
	}
	if open := d.openTable(); open != nil {
		p.Sections = append(p.Sections, Section{Title: "What could not be measured", Table: open})
	}
	curves := Section{Title: "Curves"}
	for i, t := range d.Tests {
		curves.Pictures = append(curves.Pictures, t.pictures(fmt.Sprintf("test-%d", i+1))...)
	}
	if curves.Pictures != nil {
		p.Sections = append(p.Sections, curves)
	}
	p.Sections = append(p.Sections, Section{Title: "How it was measured", Table: d.conditions()})
	notes := &reasonList{}
	all := &Table{Head: []string{"reading", "measured", "note"}}
	var readings []measure.Readings
	for _, t := range d.Tests {
		if t.Failed != "" {
			continue
		}
		all.Rows = append(all.Rows, []Cell{text(inWords(t.Signal) + ":")})
		for _, r := range t.Readings {
			all.Rows = append(all.Rows, []Cell{text(r.Name), figure(r.Reading), text(notes.number(note(r.Reading)))})
		}
		readings = append(readings, t.Readings)
	}
	p.Sections = append(p.Sections, Section{Title: "All readings", Table: all})
	p.Sections = append(p.Sections, notes.section("Notes", "reference and uncertainty of the figure"))
	if len(reasons.all) > 0 {
		p.Sections = append(p.Sections, reasons.section("Reasons", "reason of the tolerance"))
	}
	p.Sections = append(p.Sections, meanings(readings...))
	steps := []string{d.Version}
	for _, t := range d.Tests {
		if t.Recording != "" {
			steps = append(steps, strings.TrimSuffix(fmt.Sprintf("%s  sha256 %s", t.Recording, t.Digest), "  sha256 "))
		}
	}
	return p.withRepeat(append(steps, d.Repeat...), nil)
}

// answer is the first sentence.
func (d *Device) answer() (measure.Verdict, string) {
	if d.Sheet == nil {
		var figures []string
		for _, name := range []string{"gain_at_1khz_db", "thd_plus_noise_db", "idle_noise_a_dbfs"} {
			for _, t := range d.Tests {
				r, ok := t.Readings.Get(name)
				if !ok {
					r, ok = t.Readings.Get(name + "_ch1")
				}
				if ok {
					figures = append(figures, fmt.Sprintf("%s %s", name, r))
					break
				}
			}
		}
		answer := "There are no claims about this device, so this page has no verdict."
		if figures != nil {
			answer += " Measured: " + strings.Join(figures, "; ") + "."
		}
		return measure.Undecided, answer
	}
	return claimsAnswer(d.Name, d.Sheet)
}

func (d *Device) calibration() string {
	if d.Claims == nil || d.Claims.Calibration == nil {
		return "No calibration was given: levels are in dBFS only."
	}
	return fmt.Sprintf("Calibration: %s.", d.Claims.Calibration)
}

// subject names a test in a sentence.
func (d *Device) subject(t DeviceTest) string {
	if t.Recording != "" {
		return t.Recording
	}
	return inWords(t.Signal)
}

// note is the reference of a reading and its uncertainty.
func note(r measure.Reading) string {
	switch {
	case r.Reference == "":
		return r.Bound
	case r.Bound == "":
		return "relative to " + r.Reference
	}
	return "relative to " + r.Reference + "; " + r.Bound
}

// openTable lists the readings without a value, with their reasons.
func (d *Device) openTable() *Table {
	table := &Table{Head: []string{"readings", "why"}, Halves: true}
	at := map[string]int{} // rows by reason
	for _, t := range d.Tests {
		if t.Failed != "" {
			table.Rows = append(table.Rows, []Cell{text("all of " + d.subject(t)), text(minus(t.Failed))})
		}
		for _, r := range t.Readings {
			if r.Measurable() {
				continue
			}
			why := minus(r.Reason)
			if row, ok := at[why]; ok {
				table.Rows[row][0].Text += ", " + r.Name
				continue
			}
			at[why] = len(table.Rows)
			table.Rows = append(table.Rows, []Cell{text(r.Name), text(why)})
		}
	}
	if table.Rows == nil {
		return nil
	}
	return table
}

// conditions are the test signals and recordings.
func (d *Device) conditions() *Table {
	table := &Table{Head: []string{"test signal", "recording", "format"}, Halves: true}
	for _, t := range d.Tests {
		format, signal := "64-bit floating point in memory", "not known"
		switch {
		case t.Failed != "":
			format = "not measured"
		case t.Recording != "":
			format = t.Format.String()
		case t.Exchanged != "":
			format = t.Exchanged
		}
		if t.Signal != nil {
			signal = inWords(t.Signal)
		}
		table.Rows = append(table.Rows, []Cell{text(signal), text(t.Recording), text(format)})
	}
	return table
}

// sampleText is how a file's samples are written.
func sampleText(f wave.Format) string {
	kind := "integer"
	if f.Encoding == wave.Float {
		kind = "floating point"
	}
	return fmt.Sprintf("%d-bit %s", f.Bits, kind)
}
