package season

import (
	"fmt"
	"math"
	"path"
	"slices"

	"github.com/boothbench/boothbench/chain/tomlfile"
)

// Conversation is a group of takes, from several microphones of one conversation. One share
// makes all of them, one after the other.
type Conversation struct {
	Name  string   `json:"name"`  // its files are NAME.conversation.json and NAME.mix.wav
	Takes []string `json:"takes"` // outputs, below the season's folder
	// Linked takes get one gain where a season delivers: together they meet the loudness, and
	// the voices keep their relative levels. Otherwise each take meets the loudness by itself.
	Linked bool `json:"linked,omitempty"`
	Mix    *Mix `json:"mix,omitempty"` // nil: none
}

// Mix states how the outputs of a conversation are mixed. They are added, with no other
// processing.
type Mix struct {
	Channels int `json:"channels"` // 1 or 2
	// Pan is the position of each channel of the takes, in their order, in a mix of two
	// channels: −1 left, 0 in the middle, +1 right. nil: all in the middle.
	Pan []float64 `json:"pan,omitempty"`
	// LawDB is by how much a channel in the middle is lower in each side than a channel panned
	// to that side: 3 keeps the power, 6 the sum of the amplitudes.
	LawDB float64 `json:"pan_law_db"`
	// HeadroomDB is the least distance of the mix's true peak from full scale.
	HeadroomDB float64 `json:"headroom_db"`
}

// The pan law and headroom where the file states none: the power is kept, and a true peak of −1
// dBTP (EBU R 128) is not exceeded.
const (
	usualLawDB      = 3
	usualHeadroomDB = 1
)

var conversationKeys = []string{"name", "takes", "folders", "link", "mix", "pan", "pan_law_db", "headroom_db"}

// ParseConversations reads a conversations file. Each [[conversation]] lists its takes by their
// paths below the season's folder, or has a pattern of folders: then the takes of each matching
// folder are one conversation.
func ParseConversations(name string, text []byte, takes []Take) ([]Conversation, error) {
	d, err := tomlfile.Read(name, "a conversations file", text, "conversation")
	if err != nil {
		return nil, err
	}
	d.Schema(1)
	d.AtLeastOne("conversation", "[[conversation]] tables")
	p := conversationParser{d, takes, map[string]string{}, nil}
	for _, e := range d.Root.Entries {
		switch e.Key {
		case "schema":
		case "conversation":
			d.Tables(e, p.table)
		default:
			d.Unknown(e, []string{"schema", "conversation"}, "")
		}
	}
	return p.all, d.Err()
}

type conversationParser struct {
	*tomlfile.Document
	takes []Take
	of    map[string]string // the conversation of each output, by name
	all   []Conversation
}

func (p *conversationParser) table(v *tomlfile.Value) {
	var c Conversation
	var folders string
	mix := Mix{LawDB: usualLawDB, HeadroomDB: usualHeadroomDB}
	for _, e := range v.Entries {
		switch e.Key {
		case "name":
			c.Name = p.String(e)
		case "folders":
			folders = p.String(e)
		case "takes":
			p.list(e, func(one tomlfile.Entry) { c.Takes = append(c.Takes, p.String(one)) })
		case "link":
			if e.Value.Kind != tomlfile.Bool {
				p.WrongType(e.Key, e.Value, "true or false", "")
			}
			c.Linked = e.Value.Number == 1
		case "mix":
			mix.Channels = p.channels(e)
		case "pan":
			p.list(e, func(one tomlfile.Entry) { mix.Pan = append(mix.Pan, p.within(one, -1, 1)) })
		case "pan_law_db":
			mix.LawDB = p.within(e, 0, 6.0206)
		case "headroom_db":
			mix.HeadroomDB = p.within(e, 0, 60)
		default:
			p.Unknown(e, conversationKeys, "")
		}
	}
	if mix.Channels > 0 {
		c.Mix = &mix
	} else {
		for _, key := range []string{"pan", "pan_law_db", "headroom_db"} {
			if e := v.Entry(key); e != nil {
				p.Report(e.At, tomlfile.Problem{Key: key, Found: "there is no mix", Accepted: `with mix = "mono" or mix = "stereo"`})
			}
		}
	}
	if mix.Channels == 1 && mix.Pan != nil {
		p.Report(v.Entry("pan").At, tomlfile.Problem{Key: "pan", Found: "the mix is mono", Accepted: `with mix = "stereo"`})
	}
	switch {
	case folders != "" && c.Takes == nil && c.Name == "":
		p.folders(v, folders, c)
	case folders == "" && c.Takes != nil && c.Name != "":
		p.add(v, c)
	default:
		p.Report(v.At, tomlfile.Problem{Key: "conversation", Found: "not takes with a name, nor a pattern of folders", Accepted: `name = "…" and takes = ["…", "…"], or folders = "…"`})
	}
}

func (p *conversationParser) list(e tomlfile.Entry, each func(tomlfile.Entry)) {
	if e.Value.Kind != tomlfile.Array {
		p.WrongType(e.Key, e.Value, "a list", "")
		return
	}
	for _, item := range e.Value.Items {
		each(tomlfile.Entry{Key: e.Key, At: item.At, Value: item})
	}
}

func (p *conversationParser) channels(e tomlfile.Entry) int {
	switch word := p.String(e); word {
	case "mono":
		return 1
	case "stereo":
		return 2
	case "none":
	default:
		p.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: "found " + tomlfile.Quote(word), Accepted: "none, mono, stereo"})
	}
	return 0
}

func (p *conversationParser) within(e tomlfile.Entry, least, most float64) float64 {
	v, ok := p.Number(e)
	if ok && (v < least || v > most) {
		p.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: "found " + e.Value.Raw, Accepted: fmt.Sprintf("%g to %g", least, most)})
	}
	return v
}

// folders makes a conversation of the takes of each folder that matches a pattern.
func (p *conversationParser) folders(v *tomlfile.Value, pattern string, like Conversation) {
	groups := map[string][]string{}
	var names []string
	for _, t := range p.takes {
		folder := t.group()
		if fits, err := path.Match(pattern, folder); err != nil {
			p.Report(v.Entry("folders").Value.At, tomlfile.Problem{Key: "folders", Found: "found " + tomlfile.Quote(pattern), Accepted: "a pattern, such as ep*"})
			return
		} else if !fits {
			continue
		}
		if groups[folder] == nil {
			names = append(names, folder)
		}
		groups[folder] = append(groups[folder], t.Output)
	}
	if len(names) == 0 {
		p.Report(v.Entry("folders").Value.At, tomlfile.Problem{Key: "folders", Found: "no folder of takes fits " + tomlfile.Quote(pattern), Accepted: "a pattern of folders below the season's folder"})
	}
	slices.Sort(names)
	for _, name := range names {
		c := like
		c.Name, c.Takes = name, slices.Sorted(slices.Values(groups[name]))
		p.add(v, c)
	}
}

func (p *conversationParser) add(v *tomlfile.Value, c Conversation) {
	report := func(found, accepted string) {
		p.Report(v.At, tomlfile.Problem{Key: c.Name, Found: found, Accepted: accepted})
	}
	if c.Name == "." {
		c.Name = "conversation"
	}
	for _, other := range p.all {
		if other.Name == c.Name {
			report("a second conversation of this name", "a name for each")
		}
	}
	for _, output := range c.Takes {
		if !slices.ContainsFunc(p.takes, func(t Take) bool { return t.Output == output }) {
			report("found the take "+tomlfile.Quote(output)+", which the season does not have", "paths as below the season's folder")
		}
		if other, taken := p.of[output]; taken {
			report(output+" is a take of "+other+" already", "each take in one conversation")
		}
		p.of[output] = c.Name
	}
	if !isBelow(c.reportName()) {
		report("found the name "+tomlfile.Quote(c.Name), "a name for files below the season's folder")
	}
	p.all = append(p.all, c)
}

// panned returns the gain of a channel into each channel of the mix: cosine and sine of its
// position, raised to the power that the pan law requires.
func (m *Mix) panned(channel int) []float64 {
	if m.Channels == 1 {
		return []float64{1}
	}
	pan := 0.0
	if channel < len(m.Pan) {
		pan = m.Pan[channel]
	}
	sin, cos := math.Sincos((pan + 1) * math.Pi / 4)
	power := m.LawDB / (20 * math.Log10(math.Sqrt2))
	if pan == -1 || pan == 1 { // at the edges one side alone, under any law
		return []float64{(1 - pan) / 2, (1 + pan) / 2}
	}
	return []float64{math.Pow(cos, power), math.Pow(sin, power)}
}

func (c *Conversation) reportName() string { return c.Name + ".conversation.json" }
func (c *Conversation) mixName() string    { return c.Name + ".mix.wav" }

// conversationOf returns the index of a take's conversation; −1: it has none.
func (p *Plan) conversationOf(t Take) int {
	if i, ok := p.inConversation[t.Output]; ok {
		return i
	}
	return -1
}

// indexConversations fills the maps that conversationOf and pathOf use.
func (p *Plan) indexConversations() {
	if len(p.Conversations) == 0 {
		return
	}
	p.inConversation, p.paths = map[string]int{}, map[string]string{}
	for i, c := range p.Conversations {
		for _, output := range c.Takes {
			p.inConversation[output] = i
		}
	}
	for _, t := range p.Takes {
		p.paths[t.Output] = t.Path
	}
}
