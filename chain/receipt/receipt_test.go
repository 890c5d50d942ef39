package receipt

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A receipt holds as long as nothing that decides the output's bytes has changed, and
// times alone change nothing.
func TestReceiptHoldsWhileNothingChanges(t *testing.T) {
	folder := t.TempDir()
	in, out := filepath.Join(folder, "take.wav"), filepath.Join(folder, "done", "take.wav")
	put := func(path, text string) {
		t.Helper()
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	key := Key{"aa", "24 bits", "1.0"}
	fresh := func() {
		t.Helper()
		put(in, "take")
		put(out, "output")
		input, err := Of(in)
		if err != nil {
			t.Fatal(err)
		}
		output, err := Of(out)
		if err != nil {
			t.Fatal(err)
		}
		if err := (&Receipt{Key: key, Input: input, Output: output}).Write(); err != nil {
			t.Fatal(err)
		}
	}
	for why, change := range map[string]func(*Key){
		"":                                func(*Key) {},
		"the chain has changed":           func(k *Key) { k.Chain = "ab" },
		"the options have changed":        func(k *Key) { k.Options = "16 bits" },
		"the program has changed":         func(k *Key) { k.Program = "1.1" },
		"the take has changed":            func(*Key) { put(in, "tame") },
		"the output has been changed":     func(*Key) { put(out, "outpux") },
		"the output is gone":              func(*Key) { os.Remove(out) },
		"there is no receipt":             func(*Key) { os.Remove(PathFor(out)) },
		"no receipt: unexpected end":      func(*Key) { put(PathFor(out), "{") },
		"found schema_version 2; acc":     func(*Key) { put(PathFor(out), `{"schema_version":2}`) },
		"found schema_version 0; accepte": func(*Key) { put(PathFor(out), `{}`) },
	} {
		fresh()
		now := key
		change(&now)
		r, got, err := Holds(now, in, out)
		if err != nil || !strings.Contains(got, why) || (r != nil) != (why == "") || why == "" && got != "" {
			t.Errorf("%q: %v, %q, %v", why, r, got, err)
		}
	}
	fresh()
	for _, path := range []string{in, out} {
		if err := os.Chtimes(path, time.Time{}, time.Now().Add(-time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	if r, why, err := Holds(key, in, out); r == nil || err != nil {
		t.Errorf("touched: %q, %v", why, err)
	}
	os.Remove(in)
	if _, _, err := Holds(key, in, out); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("without the take: %v", err)
	}
	if left, _ := os.ReadDir(filepath.Dir(PathFor(out))); len(left) != 1 {
		t.Errorf("beside the receipt: %v", left)
	}
}

// A receipt longer than one read holds is read whole.
func TestLongReceipt(t *testing.T) {
	out := filepath.Join(t.TempDir(), "take.wav")
	for _, warnings := range []int{0, 80, 81, 82, 2000} {
		r := &Receipt{Output: File{Path: out}}
		for range warnings {
			r.Warnings = append(r.Warnings, strings.Repeat("w", 95))
		}
		if err := r.Write(); err != nil {
			t.Fatal(err)
		}
		if back, err := Load(out); err != nil || len(back.Warnings) != warnings {
			t.Errorf("%d warnings: %v", warnings, err)
		}
	}
}
