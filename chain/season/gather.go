package season

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math"
	"os"
	"slices"
	"strconv"

	"github.com/boothbench/boothbench/chain/receipt"
)

// Table states the outcome of every take of a season.
type Table struct {
	Rows []Row `json:"takes"` // in the order of the plan
	// Groups state how consistent the takes of each folder are; the last group is that of all
	// takes.
	Groups []Group       `json:"groups"`
	Counts map[State]int `json:"counts"`
	// Programme is the gain of a season as one programme; nil: the season is none, or the gain
	// is not known yet.
	Programme *Programme `json:"programme,omitempty"`
	Limits    int        `json:"limits_judged"`
	NotMet    int        `json:"limits_not_met"`
	// Numbers of takes that are done, and are too short to compare or have no loudness.
	TooShort int `json:"takes_too_short"`
	Silent   int `json:"takes_without_loudness"`

	Conversations []ConversationRow `json:"conversations,omitempty"`
}

// Row is one take.
type Row struct {
	Take
	State    State               `json:"state"`
	Note     string              `json:"note,omitempty"` // reason for this state, and the first warning
	Readings map[string]*float64 `json:"readings,omitempty"`
	SHA256   string              `json:"output_sha256,omitempty"`
	// OutlierLU is by how many LU an outlier's loudness exceeds the median of its group; nil:
	// the take is no outlier, or was not compared.
	OutlierLU *float64 `json:"outlier_lu,omitempty"`
	TooShort  bool     `json:"too_short_to_judge,omitempty"`
	Silent    bool     `json:"without_loudness,omitempty"` // no block exceeds the gate
	Warnings  []string `json:"warnings,omitempty"`
	NotMet    []string `json:"limits_not_met,omitempty"` // each as a sentence
	judged    int      // number of limits
}

// Group states how consistent the takes of a folder are in loudness.
type Group struct {
	Name       string  `json:"folder"` // "" for all takes
	Takes      int     `json:"takes_compared"`
	MedianLUFS float64 `json:"median_lufs"`
	SpreadLU   float64 `json:"spread_lu"` // 1.4826 × the median distance from the median
	Outliers   int     `json:"outliers"`
}

// Which takes are compared, and which of them are outliers. (own choice: the loudness of a few
// seconds depends more on the words than on the level setting)
const (
	leastComparedSeconds = 10  // that count for the loudness: pauses are below its gate
	leastGroup           = 4   // least number of takes for a median of their own
	outlierLU            = 1.0 // least distance of an outlier from the median
	outlierSpreads       = 3   // and this many spreads of its group
)

// Gather reads the receipts of all takes. With verify it reads every output too and compares
// its digest; otherwise it compares sizes and times.
func (p *Plan) Gather(verify bool) (*Table, error) {
	t := &Table{Counts: map[State]int{}}
	found, err := p.programme()
	if err != nil {
		return nil, err
	}
	text := p.ChainText
	if found != nil {
		text = found.ChainText
	}
	t.Programme = found
	key := p.key(text)
	for _, take := range p.Takes {
		row := p.row(key, take, verify)
		t.Rows = append(t.Rows, row)
		t.Counts[row.State]++
		t.NotMet += len(row.NotMet)
		t.Limits += row.judged
	}
	if found != nil && found.Final {
		t.NotMet += len(found.Missed)
		t.Limits += max(1, len(found.Missed))
	}
	for i := range p.Conversations {
		row, err := p.gatherConversation(&p.Conversations[i], key, verify)
		if err != nil {
			row.State, row.Note, row.Found = Missing, err.Error(), nil
		}
		t.Conversations = append(t.Conversations, row)
		if row.Found != nil && row.Found.Mix != nil && p.Target != nil {
			if t.Limits++; row.Found.Mix.Missed != "" {
				t.NotMet++
			}
		}
	}
	t.compareTakes()
	return t, nil
}

// Complete reports whether every take and conversation is done. For one programme, its loudness
// must also be measured, with no other gain coming nearer.
func (t *Table) Complete() bool {
	for _, c := range t.Conversations {
		if c.State != Made {
			return false
		}
	}
	return t.Counts[Made] == len(t.Rows) && (t.Programme == nil || t.Programme.Final)
}

// row returns the row of a take. An error of reading becomes the note of the row, so it hides
// no other take.
func (p *Plan) row(key receipt.Key, take Take, verify bool) Row {
	if c := p.conversationOf(take); c >= 0 && p.Conversations[c].Linked && p.Target != nil && !p.AsOneProgramme {
		key = p.linkedKey(&p.Conversations[c])
	}
	out := p.output(take)
	row := Row{Take: take, State: Missing, Note: "no share has made it yet"}
	if p.AsOneProgramme {
		if r, _, err := receipt.HoldsByTimes(p.key(p.ChainText), take.Path, p.analysisOf(take)); err == nil && r != nil {
			if r.Failure != "" {
				row.State, row.Note = Failed, r.Failure
				return row
			}
			row.State, row.Note = Analysed, "it waits for the gain of the programme, and for a run with it"
		}
	}
	r, why, err := receipt.HoldsByTimes(key, take.Path, out)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		row.Note = "the take is missing"
		return row
	case err != nil:
		row.Note = err.Error()
		return row
	case r == nil:
		if _, err := os.Stat(take.Path); err != nil {
			row.Note = "the take is missing"
		} else if _, err := os.Stat(receipt.PathFor(out)); err == nil && row.State != Analysed {
			row.State, row.Note = Stale, why
		} else if !isOwn(out) {
			row.Note = "a file is there without a receipt: season run writes the receipt if it would make the same bytes, and refuses it otherwise"
		}
		if r, err = receipt.Load(out); err != nil || row.State != Stale || r.Failure != "" {
			return row
		}
		// An output whose time changed is still done if it has the written bytes.
		same, err := sameBytes(out, r)
		if err == nil && same {
			r, _, err = receipt.Holds(key, take.Path, out)
		}
		if err != nil {
			row.Note = err.Error()
		}
		if err != nil || !same || r == nil {
			return row
		}
	case r.Failure != "":
		row.State, row.Note = Failed, r.Failure
		return row
	case verify:
		if same, err := sameBytes(out, r); err != nil || !same {
			row.State, row.Note = Corrupt, "the output does not hold the bytes that were written"
			if err != nil {
				row.Note = err.Error()
			}
			return row
		}
	}
	row.State, row.Note, row.Readings, row.SHA256 = Made, "", r.Readings, r.Output.SHA256
	row.Warnings = r.Warnings
	row.NotMet, row.judged = r.LimitsNotMet, r.LimitsJudged
	if len(r.Warnings) > 0 {
		row.Note = r.Warnings[0]
		if more := len(r.Warnings) - 1; more > 0 {
			row.Note += fmt.Sprintf(" (and %d more)", more)
		}
	}
	return row
}

// sameBytes reports whether an output has the digest in its receipt.
func sameBytes(out string, r *receipt.Receipt) (bool, error) {
	now, err := receipt.Of(out)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return now.SHA256 == r.Output.SHA256, err
}

// compareTakes finds the takes with an unusual loudness for their folder, or among all takes
// where the folder has few.
func (t *Table) compareTakes() {
	groups := map[string][]int{}
	var all []int
	for i := range t.Rows {
		r := &t.Rows[i]
		if r.State != Made {
			continue
		}
		if r.Readings["integrated_lufs"] == nil {
			r.Silent = true
			t.Silent++
			continue
		}
		if s := r.Readings[countedSeconds]; s == nil || *s < leastComparedSeconds {
			r.TooShort = true
			t.TooShort++
			continue
		}
		groups[r.group()] = append(groups[r.group()], i)
		all = append(all, i)
	}
	whole := t.groupOf("", all)
	for _, name := range slices.Sorted(maps.Keys(groups)) {
		g := t.groupOf(name, groups[name])
		from := g
		if g.Takes < leastGroup {
			from = whole
		}
		for _, i := range groups[name] {
			distance := *t.Rows[i].Readings["integrated_lufs"] - from.MedianLUFS
			if math.Abs(distance) > max(outlierLU, outlierSpreads*from.SpreadLU) {
				t.Rows[i].OutlierLU = &distance
				g.Outliers++
				whole.Outliers++
			}
		}
		t.Groups = append(t.Groups, g)
	}
	t.Groups = append(t.Groups, whole)
}

func (t *Table) groupOf(name string, rows []int) Group {
	g := Group{Name: name, Takes: len(rows)}
	if len(rows) == 0 {
		return g
	}
	var values []float64
	for _, i := range rows {
		values = append(values, *t.Rows[i].Readings["integrated_lufs"])
	}
	g.MedianLUFS = median(values)
	for i := range values {
		values[i] = math.Abs(values[i] - g.MedianLUFS)
	}
	g.SpreadLU = 1.4826 * median(values) // the standard deviation, for a normal distribution
	return g
}

func median(values []float64) float64 {
	v := slices.Sorted(slices.Values(values))
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}

// columns are the readings in the CSV table, in their order.
var columns = []string{"integrated_lufs", "loudness_range_lu", "true_peak_dbtp", "true_peak_fine_dbtp", "overs_clamped_samples", "gain_db", "duration_s", countedSeconds}

// WriteCSV writes a row for each take (RFC 4180); a missing reading is an empty field.
func (t *Table) WriteCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	out.Write(append(append([]string{"take", "output", "state"}, columns...), "outlier_lu", "too_short_to_judge", "limits_not_met", "output_sha256", "note"))
	number := func(v *float64) string {
		if v == nil {
			return ""
		}
		return strconv.FormatFloat(*v, 'f', -1, 64)
	}
	for _, r := range t.Rows {
		fields := []string{r.Path, r.Output, string(r.State)}
		for _, c := range columns {
			fields = append(fields, number(r.Readings[c]))
		}
		out.Write(append(fields, number(r.OutlierLU), strconv.FormatBool(r.TooShort), strconv.Itoa(len(r.NotMet)), r.SHA256, r.Note))
	}
	out.Flush()
	return out.Error()
}
