package chain

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
)

// Every field of a settings struct must be reached by exactly one key of its
// table, or a setting of package dsp could not be written in a chain file.
func TestEverySettingHasOneKey(t *testing.T) {
	for _, k := range Kinds() {
		skipped := ""
		if k.Bands != nil {
			skipped = "Bands"
			reaches(t, k.Name+" band", k.Bands, func() any { return new(dsp.Band) }, "")
		}
		reaches(t, k.Name, k.Fields, k.fresh, skipped)
	}
}

func reaches(t *testing.T, name string, fields []Field, fresh func() any, skipped string) {
	t.Helper()
	by := map[string]string{}
	for _, f := range fields {
		p := fresh()
		zero := reflect.ValueOf(fresh()).Elem()
		for _, v := range trials(f) {
			f.put(p, v)
			if got := f.get(p); f.written(got) != f.written(v) {
				t.Errorf("%s %s: put %s, got %s", name, f.Key, f.written(v), f.written(got))
			}
			for i := range zero.NumField() {
				field := zero.Type().Field(i).Name
				if reflect.DeepEqual(zero.Field(i).Interface(), reflect.ValueOf(p).Elem().Field(i).Interface()) {
					continue
				}
				if other := by[field]; other != "" && other != f.Key {
					t.Errorf("%s: %s is set by both %s and %s", name, field, other, f.Key)
				}
				by[field] = f.Key
			}
		}
	}
	zero := reflect.ValueOf(fresh()).Elem().Type()
	for i := range zero.NumField() {
		if field := zero.Field(i).Name; by[field] == "" && field != skipped {
			t.Errorf("%s: no key sets %s.%s", name, zero, field)
		}
	}
	want := len(fields)
	for _, f := range fields {
		if f.Instead != "" && f.Default != "" {
			want++ // it also says that it is the one of its pair
		}
	}
	if got := len(by); got != want {
		t.Errorf("%s: %d keys set %d fields, want %d", name, len(fields), got, want)
	}
}

// trials are values of a field, of which at least one is not the zero value.
func trials(f Field) []setting {
	switch f.Type {
	case TrueOrFalse:
		return []setting{{flag: true}}
	case Word:
		var all []setting
		for _, w := range f.Words {
			all = append(all, setting{word: w})
		}
		return all
	case ChannelList:
		return []setting{{list: []int{2, 5}}}
	}
	return []setting{{number: f.Min}, {number: f.Max}}
}

// goOnly names settings of stages that a chain file does not have yet: the
// verified ceiling is to become the limiter's second half.
var goOnly = map[string]bool{"VerifiedCeilingSettings": true}

// A settings type in package dsp that has no kind could not be used by a chain
// file.
func TestEverySettingsTypeHasAKind(t *testing.T) {
	have := map[string]bool{}
	for _, k := range Kinds() {
		have[reflect.TypeOf(k.fresh()).Elem().Name()] = true
	}
	paths, err := filepath.Glob("../dsp/*.go")
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for _, path := range paths {
		if strings.HasSuffix(path, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range f.Decls {
			g, ok := d.(*ast.GenDecl)
			if !ok {
				continue
			}
			for _, s := range g.Specs {
				if s, ok := s.(*ast.TypeSpec); ok && s.Name.IsExported() && strings.HasSuffix(s.Name.Name, "Settings") {
					if goOnly[s.Name.Name] {
						continue
					}
					if found++; !have[s.Name.Name] {
						t.Errorf("no kind for dsp.%s", s.Name.Name)
					}
				}
			}
		}
	}
	if found != len(Kinds()) {
		t.Errorf("%d settings types in dsp, %d kinds", found, len(Kinds()))
	}
}

func TestTablesAreComplete(t *testing.T) {
	for _, k := range Kinds() {
		if k.Name == "" || k.Summary == "" || k.Trap == "" || len(k.Fields) == 0 || k.build == nil {
			t.Errorf("kind %q lacks something", k.Name)
		}
		if (k.Bands != nil) != (k.addBand != nil) || (k.Bands != nil) != (k.bands != nil) {
			t.Errorf("%s: bands without their accessors", k.Name)
		}
		for _, fields := range [][]Field{k.Fields, k.Bands} {
			seen := map[string]bool{}
			for _, f := range fields {
				where := k.Name + " " + f.Key
				if f.Key != strings.ToLower(f.Key) || !tomlfile.IsBareKey(f.Key) || seen[f.Key] || contains(commonKeys, f.Key) {
					t.Errorf("%s: not a key, twice, or taken", where)
				}
				seen[f.Key] = true
				if f.Help == "" || f.Source == "" {
					t.Errorf("%s: no help or no source", where)
				}
				if f.When != nil {
					if at := fieldNamed(fields, f.When.Key); at == nil || at.Type != Word {
						t.Errorf("%s: depends on %s, which is no word of its table", where, f.When.Key)
					}
				}
				checkDefault(t, where, f)
				checkUnit(t, where, f)
			}
		}
	}
}

func checkDefault(t *testing.T, where string, f Field) {
	t.Helper()
	switch f.Type {
	case Number, WholeNumber:
		if !(f.Min < f.Max) {
			t.Errorf("%s: range %g to %g", where, f.Min, f.Max)
		}
		if f.Default != "" && !f.inRange(f.preset().number) {
			t.Errorf("%s: default %s is not accepted", where, f.Default)
		}
	case Word:
		if len(f.Words) < 2 || f.Default != "" && !contains(f.Words, f.preset().word) {
			t.Errorf("%s: default %s of %q", where, f.Default, f.Words)
		}
	}
	if f.Default != "" && f.written(f.preset()) != f.Default {
		t.Errorf("%s: default %s is written %s", where, f.Default, f.written(f.preset()))
	}
}

// The key of a number must carry its unit.
func checkUnit(t *testing.T, where string, f Field) {
	t.Helper()
	suffix := map[string]string{"Hz": "_hz", "dB": "_db", "dBFS": "_dbfs", "dBTP": "_dbtp", "ms": "_ms", "dB/oct": "_db_per_octave", "": ""}
	end, known := suffix[f.Unit]
	if !known || !strings.HasSuffix(f.Key, end) {
		t.Errorf("%s: unit %s", where, f.Unit)
	}
	if f.Type == Number && f.Unit == "" && f.Key != "ratio" && f.Key != "q" {
		t.Errorf("%s: a number without a unit", where)
	}
}

// What the tables accept, the constructors must accept: at both ends of each
// range, at a rate that holds the highest frequency.
func TestConstructorsTakeTheWholeRange(t *testing.T) {
	const rate, channels = 384000, 5
	for _, k := range Kinds() {
		base := k.fresh()
		for _, f := range k.Fields {
			v := f.preset()
			if f.Default == "" {
				v = setting{number: f.Min}
			}
			f.put(base, v)
		}
		band := dsp.Band{Shape: dsp.Bell, CentreHz: 1000, GainDB: 3, Q: 1}
		if k.addBand != nil {
			k.addBand(base, band)
		}
		try := func(what string, pointer any) {
			t.Helper()
			settings := k.settled(pointer)
			if k.rule != nil {
				if key, _, _ := k.rule(settings); key != "" {
					return
				}
			}
			p, err := k.build(settings, rate, channels)
			if err != nil {
				t.Errorf("%s with %s: %v", k.Name, what, err)
			} else if p == nil {
				t.Errorf("%s with %s: nothing built", k.Name, what)
			}
		}
		try("defaults", base)
		for _, f := range k.Fields {
			for _, v := range trials(f) {
				p := k.edit(k.settled(base))
				f.put(p, v)
				try(f.Key+" = "+f.written(v), p)
			}
			if f.Zero != "" {
				p := k.edit(k.settled(base))
				f.put(p, setting{})
				try(f.Key+" = 0", p)
			}
		}
		for _, f := range k.Bands {
			for _, v := range trials(f) {
				p := k.fresh()
				b := band
				f.put(&b, v)
				k.addBand(p, b)
				try("band "+f.Key+" = "+f.written(v), p)
			}
		}
	}
}

func TestBuildRefusesSettingsOfAnotherKind(t *testing.T) {
	for _, s := range []Stage{
		{Kind: "gain", Settings: dsp.DelaySettings{}},
		{Kind: "gain", Settings: nil},
		{Kind: "gian", Settings: dsp.GainSettings{}},
	} {
		if p, err := s.Build(48000, 1); err == nil || p != nil {
			t.Errorf("%s with %T: built %v", s.Kind, s.Settings, p)
		}
		c := Chain{Stages: []Stage{{Kind: s.Kind, Enabled: true, Settings: s.Settings}}}
		if err := c.Check(48000, 1); err == nil || !strings.Contains(err.Error(), "stage 1") {
			t.Errorf("%s with %T: Check says %v", s.Kind, s.Settings, err)
		}
		if _, err := c.Format(false); err == nil {
			t.Errorf("%s with %T: written", s.Kind, s.Settings)
		}
	}
	// A constructor's refusal must not come back as a processor that is a nil
	// pointer.
	if p, err := (Stage{Kind: "delay", Settings: dsp.DelaySettings{DelayMs: -1}}).Build(48000, 1); err == nil || p != nil {
		t.Errorf("negative delay: built %v, %v", p, err)
	}
}
