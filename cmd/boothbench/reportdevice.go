package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/proof"
	pages "github.com/boothbench/boothbench/measure/report"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// devicePage measures a device by a command or by recordings of it.
func (s *pageSettings) devicePage(e env, files []string) (pages.Page, any, error) {
	settings := pages.DeviceSettings{Rate: s.rate, Version: version()}
	claims := ""
	if s.claims != "" {
		var err error
		if settings.Claims, err = e.loadClaims(s.claims); err != nil {
			return pages.Page{}, nil, withCode(exitUsage, err)
		}
		settings.Name, claims = settings.Claims.Device, " --claims "+filepath.Base(s.claims)
	}
	if s.command.exec != "" {
		command, err := s.command.device(e)
		if err != nil {
			return pages.Page{}, nil, err
		}
		settings.Device = command
		if settings.Name == "" {
			settings.Name = s.command.exec
		}
		settings.Repeat = []string{fmt.Sprintf("boothbench report device --exec '%s' --rate %d%s --out page.html", s.command.exec, s.rate, claims)}
	} else {
		var names []string
		for i := 0; i < len(files); i += 2 {
			settings.Recordings = append(settings.Recordings, instrument.Recorded{Stimulus: files[i], Recording: files[i+1]})
			names = append(names, filepath.Base(files[i]), filepath.Base(files[i+1]))
		}
		if settings.Name == "" {
			settings.Name = names[1]
		}
		settings.Repeat = []string{fmt.Sprintf("boothbench report device %s%s --out page.html", strings.Join(names, " "), claims)}
	}
	each, clear := s.shown(e)
	d, err := pages.ReadDevice(e.ctx, settings, each)
	clear()
	if d == nil {
		return pages.Page{}, nil, inputError(err)
	}
	s.failed = inputError(err) // the page has the results before the failure
	type test struct {
		Signal    string           `json:"signal,omitempty"`
		Error     string           `json:"error,omitempty"`
		Recording string           `json:"recording,omitempty"`
		SHA256    string           `json:"sha256,omitempty"`
		Readings  measure.Readings `json:"readings"`
	}
	object := struct {
		SchemaVersion int          `json:"schema_version"`
		Command       string       `json:"command"`
		Verdict       string       `json:"verdict"`
		Device        string       `json:"device"`
		RateHz        int          `json:"rate_hz"`
		Tests         []test       `json:"tests"`
		Claims        []proof.Line `json:"claims,omitempty"`
	}{SchemaVersion: 1, Command: "report", Device: settings.Name, RateHz: d.Tests[0].Rate}
	for _, t := range d.Tests {
		signal := ""
		if t.Signal != nil {
			signal = stimulus.Describe(t.Signal)
		}
		object.Tests = append(object.Tests, test{signal, t.Failed, t.Recording, t.Digest, append(measure.Readings{}, t.Readings...)})
	}
	if d.Sheet != nil {
		object.Claims = d.Sheet.Lines
	}
	page := d.Page()
	object.Verdict = page.Verdict.String()
	return page, object, nil
}
