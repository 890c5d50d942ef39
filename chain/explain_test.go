package chain_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
)

func ExampleExplain() {
	text, _ := chain.Explain("hysteresis_db")
	fmt.Print(text)
	// Output:
	// hysteresis_db
	//   expander: once open, it stays open down to this far below the opening level
	//     Accepted: 0 to 40 dB; default 3
	//     Source: own choice: the swing of noise in a 20 ms RMS reading
	//     Trap: without it, noise around the threshold opens and closes it many times a second
}

func TestExplain(t *testing.T) {
	for _, k := range chain.Kinds() {
		if text, known := chain.Explain(k.Name); !known || !strings.Contains(text, k.Summary) {
			t.Errorf("%s: %v %s", k.Name, known, text)
		}
		for _, f := range append(k.Fields, k.Bands...) {
			text, known := chain.Explain(f.Key)
			if !known || !strings.Contains(text, f.Help) || !strings.Contains(text, f.Accepted()) || !strings.Contains(text, f.Source) {
				t.Errorf("%s: %v %s", f.Key, known, text)
			}
		}
	}
	for _, word := range []string{
		"dBFS", "dbtp", "LUFS", "LU", "dBu", "dBV", "ms", "frames", "attack", "release", "knee", "latency",
		"true peak", "true-peak", "sample peak", "Nyquist", "RMS", "schema", "enabled", "stage", "band", "name", "dither", "loudness range",
	} {
		if text, known := chain.Explain(word); !known || !strings.Contains(text, "Document: ") || !strings.Contains(text, "Trap: ") {
			t.Errorf("%s: %v %s", word, known, text)
		}
	}
	for word, near := range map[string]string{"compresor": "compressor", "treshold_dbfs": "threshold_dbfs", "dbpt": "dBTP", "threshold": "threshold_dbfs"} {
		if text, known := chain.Explain(word); known || !strings.Contains(text, near) {
			t.Errorf("%s: %v %s", word, known, text)
		}
	}
	if text, known := chain.Explain("bassoon"); known || !strings.Contains(text, "highpass") {
		t.Errorf("bassoon: %v %s", known, text)
	}
}

// Words of elsewhere lead to the kind that is meant.
func TestExplainLeadsFromOtherWordsToTheKind(t *testing.T) {
	for word, want := range map[string]string{
		"gate": `gate: here it is the kind of stage "expander".`, "EQ": `"equaliser"`, "noise-gate": `"expander"`, "hpf": `"highpass"`,
	} {
		if text, ok := chain.Explain(word); !ok || !strings.Contains(text, want) {
			t.Errorf("%s: %v, %s", word, ok, text)
		}
	}
	// At 8 kHz a limiter refuses what other rates take.
	if text, _ := chain.Explain("lookahead_ms"); !strings.Contains(text, "16 frames or more: 2 ms at 8 kHz, 1 ms at 16 kHz") {
		t.Error(text)
	}
}
