package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/expect"
)

// historyWritable refuses a history file that is an input or has another format.
func historyWritable(path string, inputs []string) error {
	there, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	for _, input := range inputs {
		if other, wrong := os.Stat(input); input != "" && err == nil && wrong == nil && os.SameFile(there, other) {
			return usageError("--history: %s is an input; accepted: a separate file", path)
		}
	}
	f, err := os.Open(path)
	if err != nil {
		return outputError(&wave.OutputError{Path: path, Doing: "add to it", Err: err})
	}
	defer f.Close()
	begins := make([]byte, 64)
	n, err := io.ReadFull(f, begins)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return outputError(&wave.OutputError{Path: path, Doing: "add to it", Err: err})
	}
	if !expect.IsHistory(begins[:n]) {
		return usageError("--history: %s is no history, and nothing is added to it; accepted: a new file, or one that check --history wrote", path)
	}
	return nil
}

// addHistory adds a run to a history, in one write, so that runs at once do not mix. A
// last line that was cut off is ended first.
func addHistory(path, label string, run expect.Run) error {
	line, err := expect.HistoryLine(run, label, time.Now())
	if err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o666)
	if err != nil {
		return &wave.OutputError{Path: path, Doing: "add to it", Err: err}
	}
	last := make([]byte, 1)
	if info, known := f.Stat(); known == nil && info.Size() > 0 {
		if _, err := f.ReadAt(last, info.Size()-1); err == nil && last[0] != '\n' {
			line = append([]byte("\n"), line...)
		}
	}
	_, err = f.Write(line)
	if closing := f.Close(); err == nil {
		err = closing
	}
	if err != nil {
		return &wave.OutputError{Path: path, Doing: "add to it", Err: err}
	}
	return nil
}

// loadHistory reads histories as one.
func loadHistory(paths []string) ([]expect.HistoryRun, error) {
	var all []expect.HistoryRun
	for _, path := range paths {
		f, err := os.Open(path)
		if err != nil {
			return nil, inputError(err)
		}
		runs, err := expect.ReadHistory(path, f)
		f.Close()
		if err != nil {
			return nil, inputError(err)
		}
		all = append(all, runs...)
	}
	if len(all) == 0 {
		return nil, inputError(fmt.Errorf("found no history; accepted: files that check --history wrote"))
	}
	expect.SortHistory(all)
	return all, nil
}
