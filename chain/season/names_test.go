package season

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The plan refuses a name too long for the suffixes of a season, or one that the manifest
// cannot hold, before hours of work. The longest accepted name works in every way that a season
// makes an output.
func TestUnusableNamesAreRefused(t *testing.T) {
	takes := makeTakes(t, t.TempDir(), 1)
	for name, want := range map[string]string{
		strings.Repeat("n", mostNameBytes-3) + ".wav": "found a name of 221 bytes",
		"bad\xff.wav": "not UTF-8",
	} {
		take := Take{Path: takes[0].Path, Output: name}
		if _, err := NewPlan(t.TempDir(), Plan{ChainPath: "voice.toml", ChainText: chainText, Shares: 1, Takes: []Take{take}}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", name, err, want)
		}
	}
	for kind, p := range foreignPlans(t) {
		if p.Conversations != nil {
			continue
		}
		p.Takes[0].Output = strings.Repeat("n", mostNameBytes-4) + ".wav"
		made, err := NewPlan(t.TempDir(), *p)
		if err != nil {
			t.Fatal(err)
		}
		if stopped := runAll(t, made); stopped != nil {
			t.Errorf("%s: %v", kind, stopped)
		}
	}
}

// A take deleted after the plan was made is reported as missing, even if no share has tried it.
func TestDeletedTakeIsReported(t *testing.T) {
	takes := makeTakes(t, t.TempDir(), 2)
	p := plan(t, t.TempDir(), takes, 1)
	if err := os.Remove(takes[0].Path); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		table, err := p.Gather(false)
		if err != nil || table.Rows[0].State != Missing || table.Rows[0].Note != "the take is missing" {
			t.Errorf("%+v %v", table.Rows[0], err)
		}
		run(t, p, 1, 1, RunSettings{})
	}
	if _, err := os.Stat(filepath.Join(p.folder, takes[1].Output)); err != nil {
		t.Error("the other take is not made: ", err)
	}
}

// A take that cannot be read is one row of the table, and hides no other. A link to itself is
// such a take for every user.
func TestUnreadableTakeIsOneRow(t *testing.T) {
	takes := makeTakes(t, t.TempDir(), 2)
	p := plan(t, t.TempDir(), takes, 1)
	run(t, p, 1, 1, RunSettings{})
	if err := os.Remove(takes[0].Path); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Base(takes[0].Path), takes[0].Path); err != nil {
		t.Skip("no links: ", err)
	}
	for _, verify := range []bool{false, true} {
		table, err := p.Gather(verify)
		if err != nil {
			t.Fatal(err)
		}
		if row := table.Rows[0]; row.State != Missing || !strings.Contains(row.Note, takes[0].Path) {
			t.Errorf("%+v", row)
		}
		if row := table.Rows[1]; row.State != Made {
			t.Errorf("%+v", row)
		}
	}
}
