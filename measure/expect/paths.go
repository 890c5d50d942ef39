package expect

import (
	"fmt"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

// Paths and patterns in a limits file are seen from the folder of the file,
// wherever the program runs and however the files on the command line are spelt.

// placeOf is where a path leads: absolute, without "..", and with all links
// followed as far as the path exists. Two spellings of one file have one place.
func placeOf(name string) string {
	if absolute, err := filepath.Abs(name); err == nil {
		name = absolute
	}
	if real, err := filepath.EvalSymlinks(name); err == nil {
		return real
	}
	parent := filepath.Dir(name)
	if parent == name {
		return name
	}
	return filepath.Join(placeOf(parent), filepath.Base(name))
}

// beside is a path in a file as seen from where the program runs.
func beside(folder, name string) string {
	switch {
	case name == "":
		return folder
	case filepath.IsAbs(name):
		return name
	}
	// Not filepath.Join, which takes "link/.." for nothing: where a link leads
	// elsewhere, so does the folder above it.
	if folder == "" || folder == "." {
		return filepath.FromSlash(name)
	}
	return strings.TrimSuffix(folder, string(filepath.Separator)) + string(filepath.Separator) + filepath.FromSlash(name)
}

// matching lists the files that a pattern finds, seen from a folder. Folders in it
// may be patterns too; the folder itself is none, whatever its name.
func matching(folder, pattern string) []string {
	found := []string{folder}
	if filepath.IsAbs(pattern) {
		volume := filepath.VolumeName(pattern)
		found, pattern = []string{volume + string(filepath.Separator)}, pattern[len(volume):]
	}
	for element := range strings.SplitSeq(filepath.ToSlash(pattern), "/") {
		if element == "" {
			continue
		}
		var next []string
		for _, dir := range found {
			if !isPattern(element) {
				next = append(next, beside(dir, element))
				continue
			}
			entries, _ := os.ReadDir(dirOrHere(dir)) // one that cannot be read holds no match
			for _, e := range entries {
				if ok, _ := path.Match(element, e.Name()); ok {
					next = append(next, beside(dir, e.Name()))
				}
			}
		}
		found = next
	}
	return slices.DeleteFunc(found, func(name string) bool {
		info, err := os.Stat(name)
		return err != nil || info.IsDir()
	})
}

func dirOrHere(dir string) string {
	if dir == "" {
		return "."
	}
	return dir
}

func isPattern(element string) bool { return strings.ContainsAny(element, `*?[\`) }

// Found lists the files that the group's patterns name, each once.
func (g Group) Found() ([]string, error) {
	var files []string
	seen := map[string]bool{}
	for _, pattern := range g.Files {
		matches := matching(g.folder, pattern)
		if len(matches) == 0 {
			return nil, fmt.Errorf("no file matches %q, seen from %s", pattern, dirOrHere(g.folder))
		}
		for _, file := range matches {
			if place := placeOf(file); !seen[place] {
				seen[place] = true
				files = append(files, file)
			}
		}
	}
	return files, nil
}

// Covers reports whether the group is about a file: whether one of its patterns
// leads to it, whatever its spelling. A group without patterns is about every file.
func (g Group) Covers(file string) bool { return g.covers(placeOf(file), g.places()) }

// places are those of the files that the group's patterns find.
func (g Group) places() map[string]bool {
	places := map[string]bool{}
	for _, pattern := range g.Files {
		for _, file := range matching(g.folder, pattern) {
			places[placeOf(file)] = true
		}
	}
	return places
}

func (g Group) covers(place string, found map[string]bool) bool {
	if g.Chain != "" {
		return false
	}
	return len(g.Files) == 0 || found[place] || g.wouldFind(place)
}

// wouldFind reports whether a pattern names a file that is not there.
func (g Group) wouldFind(place string) bool {
	if _, err := os.Stat(place); err == nil {
		return false
	}
	for _, pattern := range g.Files {
		folder, last := path.Split(filepath.ToSlash(pattern))
		if isPattern(folder) {
			continue
		}
		matched, _ := path.Match(last, filepath.Base(place))
		if matched && filepath.Dir(place) == placeOf(beside(g.folder, folder)) {
			return true
		}
	}
	return false
}

// likeOf is what a file of the group is compared with: the one file that the group
// names or, of a pattern, the file of the same name.
func (g Group) likeOf(file string) string {
	if folder, last := filepath.Split(g.Like); isPattern(last) {
		return filepath.Join(folder, filepath.Base(file))
	}
	return g.Like
}

// pairs reports whether the group compares files with others of the same names.
func (g Group) pairs() bool { return isPattern(filepath.Base(g.Like)) }
