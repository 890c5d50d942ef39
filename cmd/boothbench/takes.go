package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// namedTake is a file that a command works on.
type namedTake struct {
	path  string
	below string // its path below the folder that was named; of a file its base name
}

// soundNames are the file name extensions of sound files in a folder.
var soundNames = []string{".wav", ".wave", ".bwf", ".rf64", ".bw64", ".flac"}

// takesOf returns the takes that the arguments name: files, and for a folder all WAV and
// FLAC files in it and below, in the order of their names. Hidden files and folders and the
// folder of the outputs are skipped. Links are followed.
func (e env) takesOf(arguments []string, outputs string) ([]namedTake, error) {
	var takes []namedTake
	for _, argument := range arguments {
		info, err := os.Stat(argument)
		if argument == standardInput || err != nil || !info.IsDir() {
			takes = append(takes, namedTake{argument, filepath.Base(argument)}) // an error is reported when it is opened
			continue
		}
		found, err := inFolder(argument, outputs)
		if err != nil {
			return nil, inputError(err)
		}
		if len(found) == 0 {
			return nil, inputError(&emptyFolderError{argument})
		}
		takes = append(takes, found...)
	}
	return takes, nil
}

type emptyFolderError struct{ folder string }

func (e *emptyFolderError) Error() string {
	return e.folder + ": found a folder without sound; accepted: a file, or a folder with files that end in " + strings.Join(soundNames, ", ")
}

// inFolder finds the takes of one folder, following links. A link to a folder that
// contains it is skipped.
func inFolder(folder, outputs string) ([]namedTake, error) {
	f := finder{folder: folder}
	f.skip, _ = os.Stat(outputs) // nil: no such folder yet
	err := f.look(".")
	return f.takes, err
}

type finder struct {
	folder string
	skip   os.FileInfo   // the folder of the outputs
	above  []os.FileInfo // the folders that the search is in
	takes  []namedTake
}

// look searches a folder below the one given as argument.
func (f *finder) look(below string) error {
	here := filepath.Join(f.folder, below)
	info, err := os.Stat(here)
	if err != nil {
		return err
	}
	is := func(other os.FileInfo) bool { return os.SameFile(info, other) }
	if below != "." && f.skip != nil && is(f.skip) || slices.ContainsFunc(f.above, is) {
		return nil
	}
	entries, err := os.ReadDir(here) // in the order of their names
	if err != nil {
		return err
	}
	f.above = append(f.above, info)
	defer func() { f.above = f.above[:len(f.above)-1] }()
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") {
			continue
		}
		name, isFolder := filepath.Join(below, e.Name()), e.IsDir()
		if e.Type()&fs.ModeSymlink != 0 {
			to, err := os.Stat(filepath.Join(f.folder, name))
			isFolder = err == nil && to.IsDir()
		}
		if isFolder {
			if err := f.look(name); err != nil {
				return err
			}
		} else if slices.Contains(soundNames, strings.ToLower(filepath.Ext(name))) {
			f.takes = append(f.takes, namedTake{filepath.Join(f.folder, name), name})
		}
	}
	return nil
}

// task is a take and its output.
type task struct {
	in, out string
}

// tasksOf gives every take an output in a folder, with its path below the argument that
// named it. Where two takes would get one output, or two that differ in capital letters
// alone, which some file systems take for one, all keep their paths below the deepest
// folder that holds all of them.
func tasksOf(takes []namedTake, folder string) ([]task, error) {
	tasks := make([]task, len(takes))
	from, same := map[string]string{}, strings.ToLower
	meet := func(name func(namedTake) string) (a, b, out string) {
		clear(from)
		for i, t := range takes {
			out := filepath.Join(folder, wavName(name(t)))
			if other, taken := from[same(out)]; taken {
				return other, t.path, out
			}
			from[same(out)] = t.path
			tasks[i] = task{t.path, out}
		}
		return "", "", ""
	}
	if _, _, out := meet(func(t namedTake) string { return t.below }); out == "" {
		return tasks, nil
	}
	same = filepath.Clean
	common := commonFolder(takes)
	a, b, out := meet(func(t namedTake) string {
		absolute, err := filepath.Abs(t.path)
		if err != nil {
			return t.below
		}
		return strings.TrimPrefix(absolute, common)
	})
	if first, err := os.Stat(a); err == nil && out != "" {
		if second, err := os.Stat(b); err == nil && os.SameFile(first, second) {
			return nil, usageError("%s and %s are the same file; name each take once", a, b)
		}
	}
	if out != "" {
		return nil, usageError("%s and %s would both become %s; rename one or process them separately", a, b, out)
	}
	return tasks, nil
}

// makeFolders makes the folders of the outputs.
func (e env) makeFolders(tasks []task) error {
	for _, t := range tasks {
		if err := e.makeFolder(filepath.Dir(t.out)); err != nil {
			return err
		}
	}
	return nil
}

// wavName is the name of a take's output, with .wav in place of .flac.
func wavName(name string) string {
	if ext := filepath.Ext(name); strings.EqualFold(ext, ".flac") {
		return strings.TrimSuffix(name, ext) + ".wav"
	}
	return name
}

// commonFolder is the deepest folder that holds all takes, with a separator at its end.
func commonFolder(takes []namedTake) string {
	common := ""
	for i, t := range takes {
		absolute, err := filepath.Abs(t.path)
		if err != nil {
			return ""
		}
		folder := filepath.Dir(absolute) + string(filepath.Separator)
		if i == 0 {
			common = folder
		}
		for !strings.HasPrefix(folder, common) {
			common = filepath.Dir(strings.TrimSuffix(common, string(filepath.Separator))) + string(filepath.Separator)
			if common == string(filepath.Separator)+string(filepath.Separator) {
				common = string(filepath.Separator)
			}
		}
	}
	return common
}
