package wave

import (
	"fmt"
	"path/filepath"
)

// DistinctNames are short names of files: their base names, with as many folders before them as
// distinguish those of one name. Those that have one path get a number behind it.
func DistinctNames(paths []string) []string {
	names, rest := make([]string, len(paths)), make([]string, len(paths))
	for i, path := range paths {
		path = filepath.Clean(path)
		names[i], rest[i] = filepath.Base(path), filepath.Dir(path)
	}
	for {
		longer := false
		alike := map[string][]int{}
		for i, name := range names {
			alike[name] = append(alike[name], i)
		}
		for _, of := range alike {
			if len(of) < 2 {
				continue
			}
			for _, i := range of {
				if dir := filepath.Base(rest[i]); dir != "." && dir != string(filepath.Separator) {
					names[i], rest[i], longer = filepath.Join(dir, names[i]), filepath.Dir(rest[i]), true
				}
			}
		}
		if longer {
			continue
		}
		for _, of := range alike {
			for k, i := range of {
				if len(of) > 1 {
					names[i] = fmt.Sprintf("%s (%d)", names[i], k+1)
				}
			}
		}
		return names
	}
}
