package wave

import (
	"path/filepath"
	"slices"
	"testing"
)

// Files of one name are distinguished by their folders, and one file twice by a number.
func TestDistinctNames(t *testing.T) {
	for _, c := range []struct{ paths, want []string }{
		{[]string{"x/a.wav", "y/b.wav"}, []string{"a.wav", "b.wav"}},
		{[]string{"x/a.wav", "y/a.wav", "c.wav"}, []string{"x/a.wav", "y/a.wav", "c.wav"}},
		{[]string{"x/m/a.wav", "/y/m/a.wav"}, []string{"x/m/a.wav", "y/m/a.wav"}},
		{[]string{"a.wav", "y/a.wav"}, []string{"a.wav", "y/a.wav"}},
		{[]string{"a.wav", "./a.wav", "y/a.wav"}, []string{"a.wav (1)", "a.wav (2)", "y/a.wav"}},
		{[]string{"../a.wav", "a.wav"}, []string{"../a.wav", "a.wav"}},
		{nil, []string{}},
	} {
		for i := range c.want {
			c.want[i] = filepath.FromSlash(c.want[i])
		}
		if got := DistinctNames(c.paths); !slices.Equal(got, c.want) {
			t.Errorf("%q: %q, want %q", c.paths, got, c.want)
		}
	}
}
