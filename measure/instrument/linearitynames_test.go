package instrument

import "testing"

// A level that is a sum of rounded binary fractions has the name of the exact level.
func TestLevelsInNamesAreRounded(t *testing.T) {
	level := -12.0
	for range 23 {
		level += 0.2
	}
	for _, c := range []struct {
		dbfs float64
		name string
	}{{level, "m7p4"}, {-12 + 23*0.2, "m7p4"}, {-1e-15, "0"}, {-60, "m60"}, {-0.25, "m0p25"}} {
		if got := levelName(c.dbfs); got != c.name {
			t.Errorf("%v dBFS: %s, want %s", c.dbfs, got, c.name)
		}
	}
}
