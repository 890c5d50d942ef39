package tomlfile

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

// read reads text that has to be TOML at least.
func read(t *testing.T, text string) *Document {
	t.Helper()
	d, err := Read("season.toml", "a limits file", []byte(text), "expect")
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// A fault is reported with line, column and the line itself; all at once, in order.
func TestFaultsHaveLineAndColumn(t *testing.T) {
	d := read(t, "schema = 1\n[[expect]]\nname = \"Häuser\"\nlevel = \"loud\"\n[[expect]]\nlevel = nan\n")
	for _, e := range d.Root.Entry("expect").Value.Items {
		d.Number(*e.Entry("level"))
	}
	var e *FileError
	if !errors.As(d.Err(), &e) || len(e.Problems) != 2 {
		t.Fatalf("%v, want two problems", d.Err())
	}
	if p := e.Problems[0]; p.Line != 4 || p.Column != 9 || p.Key != "level" {
		t.Errorf("%+v, want line 4, column 9", p)
	}
	if p := e.Problems[1]; p.Line != 6 || p.Column != 9 {
		t.Errorf("%+v, want line 6, column 9", p)
	}
	if text := e.Error(); !strings.Contains(text, `season.toml:4:9: level: found the string "loud"`) || !strings.Contains(text, `4 | level = "loud"`) || !strings.Contains(text, "^^^^^^") {
		t.Errorf("%s", text)
	}
}

// What is not a text in TOML is refused with what to do.
func TestNotTOML(t *testing.T) {
	for text, want := range map[string]string{
		"a\x00b":                 "not a text file",
		"\xff\xfea\x00":          "save the file as UTF-8",
		"a = “x”\n":              "straight ones",
		"a = 1,5\n":              "write the decimal point as a point: 1.5",
		"a = 3 dB\n":             "write the number alone, the unit is in the key",
		"a = loud\n":             `put words in quotes: "loud"`,
		"a = \u22121\n":          "type - (hyphen-minus)",
		"a: 1\n":                 "write = between key and value",
		"a = 1\na = 2\n":         "season.toml:2:1",
		"[[expect]]\n[expect]\n": "season.toml:2",
		strings.Repeat("# 345678\n", MaxBytes/9+1): fmt.Sprintf("up to %d bytes", MaxBytes),
	} {
		d, err := Read("season.toml", "a limits file", []byte(text), "expect")
		if err == nil {
			err = d.Err()
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.20q: %v, want %s", text, err, want)
		}
	}
}

func TestBounds(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"{ min = 1 }", "1 to none"},
		{"{ max = -0.5 }", "none to -0.5"},
		{"{ min = 1, max = 2, why = \"so\" }", "1 to 2"},
		{"{ target = 10, tolerance = 0.5 }", "9.5 to 10.5"},
		{"{ target = 10, tolerance = 0 }", "10 to 10"},
		{"{ target = 10, tolerance = -1 }", "found -1"},
		{"{ target = 10 }", "no usable limit"},
		{"{ target = 10, tolerance = 1, min = 3 }", "no usable limit"},
		{"{ min = 2, max = 1 }", "min 2 is above max 1: nothing lies between; did you mean { min = 1, max = 2 }?"},
		{"{ }", "no usable limit"},
		{"{ target = 1e308, tolerance = 1e308 }", "too large to add"},
		{"{ mix = 1 }", "unknown key; did you mean m"},
		{"{ min = inf }", "a finite number"},
		{"{ min = true }", "found the value true"},
		{"3", "say which: { max = 3 } or { min = 3 }"},
	} {
		d := read(t, "level = "+c.text)
		b, ok := d.Bounds(*d.Root.Entry("level"), "why")
		got := fmt.Sprint(d.Err())
		if ok {
			got = fmt.Sprintf("%s to %s", number(b.Min), number(b.Max))
		}
		if !strings.Contains(got, c.want) {
			t.Errorf("%s: %s, want %s", c.text, got, c.want)
		}
		if ok != (d.Err() == nil) {
			t.Errorf("%s: accepted is %t, the error %v", c.text, ok, d.Err())
		}
	}
}

func number(v *float64) string {
	if v == nil {
		return "none"
	}
	return fmt.Sprint(*v)
}

func TestNearest(t *testing.T) {
	known := []string{"true_peak_dbtp", "integrated_lufs"}
	for word, want := range map[string]string{"true_peek_dbtp": "true_peak_dbtp", "true_peak": "true_peak_dbtp", "xyz": ""} {
		if got := Nearest(word, known); got != want {
			t.Errorf("%s: %q, want %q", word, got, want)
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte("schema = 1\n[[expect]]\nfiles = [\"ep*.wav\"]\nlevel = { max = -1, min = 1e3 }\n"))
	f.Add([]byte("a = [1, [2, {b = '''x'''}]]\n[c.d]\ne = 1979-05-27\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		d, err := Read("x.toml", "a file", text, "expect")
		if err != nil {
			return
		}
		for _, e := range d.Root.Entries {
			d.Bounds(e)
		}
		for _, p := range d.Problems {
			if p.Line < 0 || p.Column < 0 {
				t.Errorf("%+v", p)
			}
		}
		_ = fmt.Sprint(d.Err())
	})
}
