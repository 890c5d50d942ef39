package season

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// talk plans two conversations and a single take. A conversation has takes of the same voice at
// different levels, in one folder.
func talk(t testing.TB, text string, shares int, delivers bool) *Plan {
	t.Helper()
	folder := t.TempDir()
	var takes []Take
	for i, output := range []string{"ep1/host.wav", "ep1/guest.wav", "ep2/host.wav", "ep2/guest.wav", "alone.wav"} {
		sound := dsptest.Speechlike(16000, 1, 16000*4, uint64(i))
		for n := range sound[0] {
			sound[0][n] *= []float64{0.5, 0.2}[i%2]
		}
		path := filepath.Join(folder, filepath.FromSlash(output))
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		w, err := wave.Create(path, wave.Format{Rate: 16000, Channels: 1, Encoding: wave.Integer, Bits: 16}, wave.Options{})
		if err == nil {
			err = w.Write(sound)
		}
		if err == nil {
			err = w.Commit()
		}
		if err != nil {
			t.Fatal(err)
		}
		takes = append(takes, Take{Path: path, Output: output})
	}
	p := Plan{ChainPath: "voice.toml", ChainText: chainText, Program: "one", Shares: shares, Takes: takes, Output: chain.Output{Seed: 1}}
	if delivers {
		target := targetOf(-20)
		p.Target = &target
	}
	var err error
	if p.Conversations, err = ParseConversations("talk.toml", []byte("schema = 1\n[[conversation]]\n"+text), takes); err != nil {
		t.Fatal(err)
	}
	made, err := NewPlan(t.TempDir(), p)
	if err != nil {
		t.Fatal(err)
	}
	return made
}

// gathered returns the table of a plan that must be complete.
func gathered(t testing.TB, p *Plan) *Table {
	t.Helper()
	table, err := p.Gather(true)
	if err != nil || !table.Complete() {
		t.Fatal(err, table.Counts, table.Conversations)
	}
	return table
}

func readSound(t testing.TB, path string) dsp.Block {
	t.Helper()
	r, err := wave.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	b := dsp.NewBlock(r.Format().Channels, int(r.Frames()))
	if _, err := r.Read(b); err != nil && !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	return b
}

// A mix is the sum of the outputs with the gains of the pan law and one common gain, to a step
// of 16 bits and the dither (2 steps). It has the target's loudness, or the reason is stated.
func TestMixIsTheSum(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for range dsptest.Some(1, make([]int, 6)) {
		pan, law, headroom := []float64{2*rng.Float64() - 1, 2*rng.Float64() - 1}, 6*rng.Float64(), 1+20*rng.Float64()
		p := talk(t, fmt.Sprintf("folders = \"ep*\"\nlink = true\nmix = \"stereo\"\npan = [%g, %g]\npan_law_db = %g\nheadroom_db = %g\n", pan[0], pan[1], law, headroom), 1, true)
		run(t, p, 1, 1, RunSettings{})
		for _, c := range gathered(t, p).Conversations {
			m := c.Found.Mix
			mix := readSound(t, filepath.Join(p.folder, m.Output))
			guest, host := readSound(t, filepath.Join(p.folder, c.Name, "guest.wav"))[0], readSound(t, filepath.Join(p.folder, c.Name, "host.wav"))[0]
			gain := math.Pow(10, m.GainDB/20)
			for side, plane := range mix {
				// By the pan law, the gain of a side falls from 1 to 0 as the cosine raised to
				// law/3.01.
				share := func(place float64) float64 {
					if side == 1 {
						place = -place
					}
					return math.Pow(math.Cos((place+1)*math.Pi/4), law/(10*math.Log10(2)))
				}
				a, b := gain*share(pan[0]), gain*share(pan[1])
				for n, v := range plane {
					if want := a*guest[n] + b*host[n]; math.Abs(v-want) > 2.1/32768 {
						t.Fatalf("%s, side %d, frame %d: %g, want %g", c.Name, side, n, v, want)
					}
				}
			}
			if *m.TruePeakDBTP > -headroom {
				t.Errorf("a true peak of %.3f dBTP with %.2f dB of headroom", *m.TruePeakDBTP, headroom)
			}
			if off := math.Abs(*m.LoudnessLUFS + 20); m.Missed == "" && off > 0.11 {
				t.Errorf("the mix has %.2f LUFS, want -20 or a reason", *m.LoudnessLUFS)
			}
			if m.Missed != "" && *m.TruePeakDBTP < -headroom-0.1 {
				t.Errorf("%s, though the true peak is %.2f dBTP", m.Missed, *m.TruePeakDBTP)
			}
		}
	}
}

// Linked takes keep the difference of their levels and meet the loudness together. Other takes
// meet it each by itself.
func TestLinkedTakesMeetTheLoudnessTogether(t *testing.T) {
	for _, linked := range []bool{true, false} {
		p := talk(t, fmt.Sprintf("folders = \"ep*\"\nlink = %v\n", linked), 1, true)
		run(t, p, 1, 1, RunSettings{})
		table := gathered(t, p)
		gains, lufs := map[string]float64{}, map[string]float64{}
		var profiles []measure.LoudnessProfile
		for _, r := range table.Rows {
			gains[r.Output], lufs[r.Output] = *r.Readings["gain_db"], *r.Readings["integrated_lufs"]
			if r.group() == "ep1" {
				l, err := measure.NewLoudness(measure.LoudnessSettings{Rate: 16000, Channels: 1})
				if err != nil {
					t.Fatal(err)
				}
				l.Write(readSound(t, p.output(r.Take)))
				profiles = append(profiles, l.Profile())
			}
		}
		pooled, _ := measure.PooledLoudness(profiles...)
		if same := gains["ep1/host.wav"] == gains["ep1/guest.wav"]; same != linked {
			t.Errorf("linked %v: gains of %v", linked, gains)
		}
		if linked && (math.Abs(pooled+20) > 0.1 || lufs["ep1/host.wav"]-lufs["ep1/guest.wav"] < 3) {
			t.Errorf("linked: %.2f LUFS together, %v", pooled, lufs)
		}
		if !linked && math.Abs(lufs["ep1/guest.wav"]+20) > 0.1 {
			t.Errorf("not linked: %v", lufs)
		}
	}
}

// Each conversation is in one share. Its bytes do not depend on the shares, and it is made
// again exactly where one of its files is missing.
func TestConversationsMakeOnlyMissingFiles(t *testing.T) {
	const text = "folders = \"ep*\"\nlink = true\nmix = \"mono\"\n"
	p := talk(t, text, 1, true)
	run(t, p, 1, 1, RunSettings{})
	gathered(t, p)
	want := files(t, p)
	for _, change := range []struct {
		name string
		do   func()
		made int // number of takes and conversations
	}{
		{"nothing", func() {}, 0},
		{"the mix is gone", func() { os.Remove(filepath.Join(p.folder, "ep1.mix.wav")) }, 1},
		{"the report is gone", func() { os.Remove(filepath.Join(p.folder, "ep2.conversation.json")) }, 1},
		{"an output is gone", func() { os.Remove(filepath.Join(p.folder, "ep1", "guest.wav")) }, 2},
		{"a receipt is gone", func() { os.Remove(receipt.PathFor(filepath.Join(p.folder, "ep1", "host.wav"))) }, 2},
		{"the take alone is gone", func() { os.Remove(filepath.Join(p.folder, "alone.wav")) }, 1},
	} {
		change.do()
		count := 0
		for k := 1; k <= 3; k++ {
			err := p.Run(t.Context(), k, 3, RunSettings{Done: func(o Outcome) {
				if o.Err != nil {
					t.Error(change.name, o.Output, o.Err)
				}
				if o.State == Made {
					count++
				}
			}})
			if err != nil {
				t.Fatal(err)
			}
		}
		gathered(t, p)
		if got := files(t, p); !mapsEqual(got, want) {
			t.Errorf("%s: other bytes", change.name)
		}
		// Where an output was made again with the same bytes, the conversation is not made
		// again.
		if count != change.made {
			t.Errorf("%s: %d were made, want %d", change.name, count, change.made)
		}
	}
	for n := 1; n <= 4; n++ {
		var all []string
		for k := 1; k <= n; k++ {
			share := p.Share(k, n)
			for _, take := range share {
				all = append(all, take.Output)
				if c := p.conversationOf(take); c >= 0 {
					for _, other := range p.Conversations[c].Takes {
						if !slices.ContainsFunc(share, func(t Take) bool { return t.Output == other }) {
							t.Errorf("share %d of %d has %s without %s", k, n, take.Output, other)
						}
					}
				}
			}
		}
		if slices.Sort(all); len(slices.Compact(all)) != len(p.Takes) || len(all) != len(p.Takes) {
			t.Errorf("%d shares have %v", n, all)
		}
	}
}

// files returns the bytes of the outputs, mixes and reports.
func files(t testing.TB, p *Plan) map[string]string {
	t.Helper()
	all := outputs(t, p)
	for _, c := range p.Conversations {
		for _, name := range []string{c.reportName(), c.mixName()} {
			text, err := os.ReadFile(filepath.Join(p.folder, name))
			if err != nil {
				t.Fatal(err)
			}
			all[name] = string(text)
		}
	}
	return all
}

func mapsEqual(a, b map[string]string) bool {
	if len(a) != len(b) {
		return false
	}
	for k, v := range a {
		if b[k] != v {
			return false
		}
	}
	return true
}

// A fault in a conversations file is reported with its line and the accepted values.
func TestFaultsOfAConversationsFile(t *testing.T) {
	takes := []Take{{Output: "ep1/a.wav"}, {Output: "ep1/b.wav"}}
	for text, want := range map[string]string{
		"":                                    "conversation: missing",
		"[[conversation]]\nname = \"x\"":      "not takes with a name",
		"[[conversation]]\nfolders = \"ep9\"": "no folder of takes fits",
		"[[conversation]]\nfolders = \"ep1\"\nmix = \"surround\"":                     "accepted: none, mono, stereo",
		"[[conversation]]\nfolders = \"ep1\"\npan = [0, 0]":                           "there is no mix",
		"[[conversation]]\nfolders = \"ep1\"\nmix = \"mono\"\npan = [0, 0]":           "the mix is mono",
		"[[conversation]]\nfolders = \"ep1\"\nmix = \"stereo\"\npan = [2]":            "accepted: -1 to 1",
		"[[conversation]]\nfolders = \"ep1\"\nmix = \"mono\"\nheadroom_db = -3":       "accepted: 0 to 60",
		"[[conversation]]\nfolders = \"ep1\"\nlinked = true":                          "did you mean link",
		"[[conversation]]\nname = \"x\"\ntakes = [\"ep1/c.wav\"]":                     "which the season does not have",
		"[[conversation]]\nfolders = \"ep1\"\n[[conversation]]\nfolders = \"ep?\"":    "is a take of ep1 already",
		"[[conversation]]\nname = \"../x\"\ntakes = [\"ep1/a.wav\"]":                  "below the season's folder",
		"[[conversation]]\nname = \"x\"\ntakes = [\"ep1/a.wav\"]\n[[talk]]\nname = 1": "unknown key",
	} {
		if _, err := ParseConversations("talk.toml", []byte("schema = 1\n"+text+"\n"), takes); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v; want %q", text, err, want)
		}
	}
}
