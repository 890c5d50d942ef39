package main

import (
	"path/filepath"
	"strings"

	pages "github.com/boothbench/boothbench/measure/report"
)

// historyPage draws a history that check --history has written.
func (s *pageSettings) historyPage(files []string) (pages.Page, any, error) {
	runs, err := loadHistory(files)
	if err != nil {
		return pages.Page{}, nil, err
	}
	var names []string
	for _, f := range files {
		names = append(names, filepath.Base(f))
	}
	page := pages.History("History of checks", runs, []string{"boothbench report history " + strings.Join(names, " ") + " --out page.html"}, version())
	return page, struct {
		SchemaVersion int      `json:"schema_version"`
		Command       string   `json:"command"`
		Verdict       string   `json:"verdict"`
		Answer        string   `json:"answer"`
		Notes         []string `json:"notes"`
		Runs          int      `json:"runs"`
	}{1, "report", page.Verdict.String(), page.Answer, append([]string{}, page.Do...), len(runs)}, nil
}
