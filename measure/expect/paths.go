package expect

import (
	"fmt"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

// Paths and patterns in a limits file are relative to the folder of that file. The
// working folder and the spelling of files on the command line make no difference.

// placeOf is the absolute path of a file, without "..", and with all links followed as
// far as the path exists. All spellings of one file have the same place.
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

// beside is a path in a file, made relative to the working folder.
func beside(folder, name string) string {
	switch {
	case name == "":
		return folder
	case filepath.IsAbs(name):
		return name
	}
	// Not filepath.Join, which shortens "link/.." to nothing: where a link leads
	// elsewhere, the folder above it is another one.
	if folder == "" || folder == "." {
		return filepath.FromSlash(name)
	}
	return strings.TrimSuffix(folder, string(filepath.Separator)) + string(filepath.Separator) + filepath.FromSlash(name)
}

// matching lists the files that match a pattern, relative to a folder. Folders in the
// pattern may be patterns too; the first folder is never one, whatever its name.
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
			return nil, fmt.Errorf("no file matches %q in %s", pattern, dirOrHere(g.folder))
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

// Covers reports whether the group applies to a file: whether one of its patterns matches
// the file, in any spelling. A group without patterns applies to every file.
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
	if g.Chain+g.Sheet != "" {
		return false
	}
	return len(g.Files) == 0 || found[place] || g.wouldFind(place)
}

// wouldFind reports whether a pattern matches a file that does not exist.
func (g Group) wouldFind(place string) bool {
	if _, err := os.Stat(place); err == nil {
		return false
	}
	for _, pattern := range g.Files {
		folder, last := path.Split(filepath.ToSlash(pattern))
		if isPattern(folder) {
			whole, err := filepath.Abs(beside(g.folder, pattern))
			if matched, _ := path.Match(filepath.ToSlash(whole), filepath.ToSlash(place)); err == nil && matched {
				return true
			}
			continue
		}
		matched, _ := path.Match(last, filepath.Base(place))
		if matched && filepath.Dir(place) == placeOf(beside(g.folder, folder)) {
			return true
		}
	}
	return false
}

// likeOf is what a file of the group is compared with: the file that the group names or,
// for a pattern, the file of the same name.
func (g Group) likeOf(file string) string {
	if folder, last := filepath.Split(g.Like); isPattern(last) {
		return filepath.Join(folder, filepath.Base(file))
	}
	return g.Like
}

// pairs reports whether the group compares files with others of the same names.
func (g Group) pairs() bool { return isPattern(filepath.Base(g.Like)) }
