package tune

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/tomlfile"
)

// KeepError is the error of a value to be kept that has no place in the proposal, or that a
// chain file cannot hold.
type KeepError struct {
	Key   string // STAGE.KEY
	Found string // what is wrong with the value; "" where nothing is proposed for the key
	// Accepted states the accepted values, with their unit.
	Accepted string
}

func (e *KeepError) Error() string {
	if e.Found != "" {
		return fmt.Sprintf("%s: %s; accepted: %s", e.Key, e.Found, e.Accepted)
	}
	return fmt.Sprintf("nothing is proposed for %q; accepted: STAGE.KEY=VALUE with a stage and a key of the proposal, such as expander.threshold_dbfs=-45", e.Key)
}

// checkKept returns an error for the first kept value that a chain file cannot hold. Other
// values follow from the kept ones, so these are checked first. Keys that no stage has are
// checked in the finished proposal.
func checkKept(keep map[string]string) error {
	for _, key := range slices.Sorted(maps.Keys(keep)) {
		stage, name, named := strings.Cut(key, ".")
		if strings.ContainsAny(key+keep[key], "\n\r") {
			return &KeepError{key, "found a line break", "one value on one line"}
		}
		if !named {
			continue
		}
		head := fmt.Sprintf("schema = %d\n[[stage]]\nkind = %q\n", chain.Schema, stage)
		if stage == humName || stage == toneName {
			head = fmt.Sprintf("schema = %d\n[[stage]]\nkind = \"equaliser\"\n[[stage.band]]\nshape = \"bell\"\n", chain.Schema)
		}
		_, err := chain.Parse("", fmt.Appendf(nil, "%s%s = %s\n", head, name, keep[key]))
		var file *tomlfile.FileError
		if !errors.As(err, &file) {
			continue
		}
		for _, p := range file.Problems {
			if p.Line == strings.Count(head, "\n")+1 && !strings.Contains(p.Found, "key") {
				return &KeepError{key, p.Found, cmp.Or(p.Accepted, p.Hint, "a value as a chain file has it")}
			}
		}
	}
	return nil
}
