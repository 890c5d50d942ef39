package stimulus

import (
	"errors"
	"fmt"
	"maps"
	"strconv"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
)

// rangeOf is a range of a setting: its ends are accepted, and what lies just outside is not.
type rangeOf struct {
	lo, hi float64
	open   bool // the ends themselves are refused
	whole  bool
}

// Every range that the help states is walked, at each end and for each kind: just inside is
// accepted, just outside is refused with the setting's own name and with that range. At a rate
// of 2 kHz an hour fits in memory.
func TestStatedRanges(t *testing.T) {
	const rate = 2000
	level, level5 := rangeOf{lo: -200, hi: 0}, rangeOf{lo: -200, hi: -5}
	hour := rangeOf{lo: 0.03, hi: 3600}
	hz := rangeOf{lo: 0, hi: rate / 2, open: true}
	channels := rangeOf{lo: 1, hi: 64, whole: true}
	periods := rangeOf{lo: 1, hi: 100, whole: true}
	step, tones := rangeOf{lo: 0.01, hi: 200}, rangeOf{lo: 0.05, hi: 60}
	minutes := rangeOf{lo: 0.03, hi: 600}
	short := map[string]string{"seconds": "0.5", "hz": "100"}
	with := func(more ...string) map[string]string {
		m := maps.Clone(short)
		for i := 0; i < len(more); i += 2 {
			m[more[i]] = more[i+1]
		}
		return m
	}
	kindsWalked := map[string]struct {
		base   map[string]string
		ranges map[string]rangeOf
	}{
		"tone":               {with(), map[string]rangeOf{"hz": hz, "peak_dbfs": level, "seconds": hour, "channels": channels, "only": {lo: 0, hi: 1, whole: true}}},
		"tone-series":        {map[string]string{"hz": "100", "from_dbfs": "-20", "to_dbfs": "-20", "step_seconds": "0.1"}, map[string]rangeOf{"hz": hz, "from_dbfs": level, "to_dbfs": level, "step_db": step, "step_seconds": hour, "channels": channels}},
		"twin-tone":          {map[string]string{"low_hz": "60", "high_hz": "700", "seconds": "0.5"}, map[string]rangeOf{"low_hz": {lo: 0, hi: 700, open: true}, "high_hz": {lo: 60, hi: rate / 2, open: true}, "ratio": {lo: 0.01, hi: 100}, "peak_dbfs": level, "seconds": hour, "channels": channels}},
		"sweep":              {map[string]string{"from_hz": "20", "to_hz": "600", "seconds": "0.5"}, map[string]rangeOf{"from_hz": {lo: 1, hi: 300}, "to_hz": {lo: 40, hi: rate / 2}, "peak_dbfs": level, "seconds": hour, "channels": channels}},
		"synchronised-sweep": {map[string]string{"from_hz": "20", "to_hz": "600", "seconds": "0.5"}, map[string]rangeOf{"from_hz": {lo: 1, hi: 300}, "to_hz": {lo: 40, hi: rate / 2}, "peak_dbfs": level, "seconds": hour, "channels": channels}},
		"multitone":          {map[string]string{"low_hz": "20", "high_hz": "600"}, map[string]rangeOf{"per_octave": {lo: 1, hi: 48, whole: true}, "periods": periods, "peak_dbfs": level, "channels": channels}},
		"impulse":            {map[string]string{"seconds": "0.5", "lead_seconds": "0"}, map[string]rangeOf{"peak_dbfs": level, "lead_seconds": {lo: 0, hi: 0.25}, "seconds": hour, "channels": channels}},
		"mls":                {map[string]string{"order": "10"}, map[string]rangeOf{"order": {lo: 10, hi: 20, whole: true}, "periods": periods, "peak_dbfs": level, "channels": channels}},
		"white-noise":        {map[string]string{"seconds": "0.5"}, map[string]rangeOf{"peak_dbfs": level, "seconds": hour, "channels": channels}},
		"pink-noise":         {map[string]string{"seconds": "0.5"}, map[string]rangeOf{"peak_dbfs": level, "seconds": hour, "channels": channels}},
		"speech-like":        {map[string]string{"seconds": "0.5"}, map[string]rangeOf{"peak_dbfs": level, "seconds": hour, "channels": channels}},
		"silence":            {map[string]string{"seconds": "0.5"}, map[string]rangeOf{"seconds": hour, "channels": channels}},
		"tone-then-silence":  {with("silence_seconds", "0.1"), map[string]rangeOf{"silence_seconds": hour, "hz": hz, "peak_dbfs": level, "seconds": hour, "channels": channels}},
		"stepped-tone":       {map[string]string{"hz": "100", "from_dbfs": "-20", "to_dbfs": "-20", "step_seconds": "0.1"}, map[string]rangeOf{"hz": hz, "from_dbfs": level, "to_dbfs": level, "step_db": step, "step_seconds": tones, "channels": channels}},
		"level-step":         {map[string]string{"hz": "100"}, map[string]rangeOf{"hz": hz, "low_dbfs": {lo: -200, hi: -20}, "high_dbfs": {lo: -40, hi: 0}, "before_seconds": minutes, "during_seconds": minutes, "after_seconds": minutes, "channels": channels}},
		"crest-tones":        {map[string]string{"hz": "100", "step_seconds": "0.1"}, map[string]rangeOf{"hz": {lo: 0, hi: rate / 2 / 1.19, open: true}, "peak_dbfs": level5, "step_seconds": tones, "channels": channels}},
		"link-tones":         {with(), map[string]rangeOf{"hz": hz, "left_dbfs": level, "right_dbfs": level, "seconds": hour}},
	}
	elsewhere := map[string]bool{"tech-3341": true, "tech-3342": true} // they need 8 kHz, and their cases are a table
	walked := 0
	for _, k := range Kinds() {
		w, known := kindsWalked[k.Name()]
		if !known && !elsewhere[k.Name()] {
			t.Errorf("%s is not walked", k.Name())
			continue
		}
		for _, s := range k.Settings() {
			if _, known := w.ranges[s.Key]; !known && !elsewhere[k.Name()] && s.Key != "seed" && s.Key != "back" && !(k.Name() == "multitone" && strings.HasSuffix(s.Key, "_hz")) && s.Key != "only" {
				t.Errorf("%s %s is not walked", k.Name(), s.Key)
			}
		}
		for key, r := range w.ranges {
			beyond := func(v float64) float64 {
				if r.whole {
					return 1
				}
				return 1e-6 * max(1, v)
			}
			for _, end := range []struct {
				value, outside float64
			}{{r.lo, r.lo - beyond(r.lo)}, {r.hi, r.hi + beyond(r.hi)}} {
				inside := end.value
				if r.open {
					inside += map[bool]float64{true: 1, false: -1}[end.value == r.lo] * 1e-3
				}
				given := maps.Clone(w.base)
				make := func(value float64) error {
					given[key] = strconv.FormatFloat(value, 'g', -1, 64)
					signal, err := k.With(given)
					if err != nil {
						return err
					}
					_, err = signal.Make(rate)
					return err
				}
				if key == "to_hz" && end.value == r.hi || k.Name() == "level-step" && key == "hz" {
					inside = min(inside, rate/2-1) // half the rate itself is refused
				}
				walked++
				if (key == "from_dbfs" || key == "to_dbfs") && end.value == -200 {
					given["step_db"] = "20"
				}
				if err := make(inside); err != nil {
					t.Errorf("%s %s = %g: %v", k.Name(), key, inside, err)
				}
				outside := end.outside
				if r.open {
					outside = end.value * (1 + 1e-9) // a product of it is rounded
					if end.value == r.lo {
						outside = end.value
					}
				}
				err := make(outside)
				var setting *dsp.SettingError
				switch {
				case !errors.As(err, &setting):
					t.Errorf("%s %s = %g: %v", k.Name(), key, outside, err)
				case setting.Setting != key && !(key == "to_hz" && setting.Setting == "from_hz" || key == "high_hz" && setting.Setting == "low_hz" || key == "high_dbfs" && setting.Setting == "low_dbfs"):
					t.Errorf("%s %s = %g: the error is about %s", k.Name(), key, outside, setting.Setting)
				case !strings.Contains(setting.Accepted, fmt.Sprintf("%.4g", end.value)) && setting.Setting == key && end.value != 0:
					t.Errorf("%s %s = %g: accepted: %s, want the end %g", k.Name(), key, outside, setting.Accepted, end.value)
				}
			}
		}
	}
	if walked < 150 {
		t.Errorf("only %d ends", walked)
	}
}
