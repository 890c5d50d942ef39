package season

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"unicode/utf8"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/expect"
)

// schema is the version of the manifest.
const schema = 1

// manifestName is the manifest's name in the season's folder.
const manifestName = "season.json"

// Plan is a season's manifest: everything on which the outputs depend. It is written once.
type Plan struct {
	SchemaVersion int    `json:"schema_version"`
	ChainPath     string `json:"chain_path"` // path of the chain file
	ChainText     string `json:"chain_text"`
	Program       string `json:"program_sha256"` // of the program that made the plan

	Output          chain.Output `json:"output"`
	RepairNonFinite bool         `json:"repair_nonfinite"`
	Target          *tune.Target `json:"target,omitempty"` // target of each take; nil: takes are processed without one
	// AsOneProgramme finds one gain for all takes, with which they meet the target together.
	AsOneProgramme bool `json:"as_one_programme,omitempty"`
	// LimitsText is a limits file with which each output is compared; "": none. File patterns
	// in it are relative to the season's folder.
	LimitsText string `json:"limits_text,omitempty"`

	Conversations []Conversation `json:"conversations,omitempty"`

	Shares int    `json:"shares"` // number of shares into which the work is divided
	Takes  []Take `json:"takes"`  // sorted by path

	folder string
	chain  *chain.Chain
	limits *expect.Limits

	inConversation map[string]int    // index of the conversation of each output
	paths          map[string]string // path of the take of each output; nil without conversations
}

// Take is one take of a season.
type Take struct {
	Path   string `json:"path"`   // absolute
	Output string `json:"output"` // below the season's folder, with slashes
	Bytes  int64  `json:"bytes"`
}

// group returns the folder of a take's output: an episode, or a voice.
func (t Take) group() string { return filepath.ToSlash(filepath.Dir(t.Output)) }

// ExistsError reports a folder that already holds another plan.
type ExistsError struct{ Path string }

func (e *ExistsError) Error() string {
	return e.Path + ": there is another plan; gather and keep its results, or plan into another folder"
}

// mostNameBytes is the longest name of an output that leaves room for everything that a season
// adds to it, where names of 255 bytes are possible (Linux, macOS and Windows):
// ".NAME.analysis.json.partial-00000000".
const mostNameBytes = 220

// NewPlan writes the manifest of a season to its folder, which it makes. An existing plan is
// accepted if it is the same; otherwise the error is an *ExistsError.
func NewPlan(folder string, p Plan) (*Plan, error) {
	p.SchemaVersion, p.folder = schema, folder
	if p.Shares < 1 {
		return nil, fmt.Errorf("found %d shares; accepted: 1 or more", p.Shares)
	}
	if len(p.Takes) == 0 {
		return nil, errors.New("found no take; accepted: one or more")
	}
	slices.SortFunc(p.Takes, func(a, b Take) int { return cmp.Compare(a.Path, b.Path) })
	seen := map[string]string{}
	for i, t := range p.Takes {
		if !utf8.ValidString(t.Path) || !utf8.ValidString(t.Output) {
			return nil, fmt.Errorf("%q: found a name that is not UTF-8; accepted: names that the manifest, which is JSON, can hold", t.Path)
		}
		if !fs.ValidPath(t.Output) || t.Output == "." {
			return nil, fmt.Errorf("%s: found the output %q; accepted: a path below the season's folder", t.Path, t.Output)
		}
		if other, taken := seen[t.Output]; taken {
			return nil, fmt.Errorf("%s and %s would both become %s; rename one or plan them apart", other, t.Path, t.Output)
		}
		seen[t.Output] = t.Path
		info, err := os.Stat(t.Path)
		if err != nil {
			return nil, err
		}
		p.Takes[i].Bytes = info.Size()
		if there, err := os.Stat(p.output(t)); err == nil && os.SameFile(there, info) {
			return nil, fmt.Errorf("%s: the output would be the take itself; accepted: another folder for the season", t.Path)
		}
	}
	for _, c := range p.Conversations {
		for _, name := range []string{c.reportName(), c.mixName()} {
			if other, taken := seen[name]; taken {
				return nil, fmt.Errorf("%s and the conversation %s would both become %s; rename one", other, c.Name, name)
			}
		}
		if c.Linked && p.Target == nil {
			return nil, fmt.Errorf("the conversation %s: linked takes meet one loudness together; name a target as well", c.Name)
		}
	}
	if err := p.read(); err != nil {
		return nil, err
	}
	text, err := json.MarshalIndent(&p, "", " ")
	if err != nil {
		return nil, err
	}
	text = append(text, '\n')
	manifest := filepath.Join(folder, manifestName)
	if old, err := os.ReadFile(manifest); err == nil {
		if string(old) != string(text) {
			return nil, &ExistsError{manifest}
		}
		return &p, nil
	}
	for _, name := range p.made() {
		if n := len(path.Base(name)); n > mostNameBytes {
			return nil, fmt.Errorf("%s: found a name of %d bytes; accepted: %d, as receipts and unfinished files have longer names", name, n, mostNameBytes)
		}
		if out := filepath.Join(folder, filepath.FromSlash(name)); !mayPlanOver(out) {
			return nil, &ForeignError{out}
		}
	}
	if err := wave.MakeFolder(folder); err != nil {
		return nil, err
	}
	f, err := wave.CreateFile(manifest, false, nil)
	if err != nil {
		return nil, err
	}
	defer f.Abort()
	if _, err := f.Write(text); err != nil {
		return nil, err
	}
	return &p, f.Commit()
}

// Load reads the plan of a season's folder.
func Load(folder string) (*Plan, error) {
	path := filepath.Join(folder, manifestName)
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: there is no plan; season plan writes it", folder)
	}
	if err != nil {
		return nil, err
	}
	p := &Plan{folder: folder}
	if err := json.Unmarshal(text, p); err != nil {
		return nil, fmt.Errorf("%s: no plan of a season: %w", path, err)
	}
	if p.SchemaVersion != schema {
		return nil, fmt.Errorf("%s: found schema_version %d; accepted: %d", path, p.SchemaVersion, schema)
	}
	return p, p.read()
}

// read parses the texts in the plan.
func (p *Plan) read() (err error) {
	p.indexConversations()
	if p.AsOneProgramme && p.Target == nil {
		return errors.New("one programme has no loudness to meet; name a target as well")
	}
	if p.chain, err = chain.Parse(p.ChainPath, []byte(p.ChainText)); err != nil || p.LimitsText == "" {
		return err
	}
	if p.limits, err = expect.Parse(filepath.Join(p.folder, "limits.toml"), []byte(p.LimitsText)); err != nil {
		return err
	}
	for _, g := range p.limits.Groups {
		if g.Chain != "" || g.Through != "" || g.Like != "" || g.Baseline != "" {
			return fmt.Errorf("the limits file, line %d: found limits of a chain or of a comparison; accepted in a season: limits of the outputs themselves", g.Line)
		}
	}
	return nil
}

// ChangedError reports a chain file or a program that has changed since the plan was made.
type ChangedError struct{ What string }

func (e *ChangedError) Error() string {
	return e.What + " has changed since the season was planned; plan again into another folder, or restore it"
}

// Check refuses a plan whose chain file or program has changed. The chain file may be missing,
// since the plan holds its text.
func (p *Plan) Check(program string) error {
	if program != p.Program {
		return &ChangedError{"the program"}
	}
	text, err := os.ReadFile(p.ChainPath)
	if err == nil && string(text) != p.ChainText {
		return &ChangedError{p.ChainPath}
	}
	return nil
}

// key identifies everything on which the bytes of an output depend beside the take, with this
// chain.
func (p *Plan) key(chainText string) receipt.Key {
	options := fmt.Sprintf("bits %d, float %v, dither %d, seed %d, repair %v", p.Output.Bits, p.Output.Float, p.Output.Dither, p.Output.Seed, p.RepairNonFinite)
	if p.Target != nil {
		target, _ := json.Marshal(p.Target)
		options += ", target " + string(target)
	}
	if p.AsOneProgramme {
		options += ", as one programme"
	}
	if p.LimitsText != "" { // limits change no byte of the output, but the verdicts in the receipt
		options += ", limits " + digest([]byte(p.LimitsText))
	}
	return receipt.Key{Chain: digest([]byte(chainText)), Options: options, Program: p.Program}
}

func digest(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// made lists the files that a season publishes for its user, below its folder.
func (p *Plan) made() (names []string) {
	for _, t := range p.Takes {
		names = append(names, t.Output)
	}
	for _, c := range p.Conversations {
		names = append(names, c.reportName())
		if c.Mix != nil {
			names = append(names, c.mixName())
		}
	}
	return names
}

// output returns the path of a take's output.
func (p *Plan) output(t Take) string { return filepath.Join(p.folder, filepath.FromSlash(t.Output)) }
