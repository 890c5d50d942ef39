package listen

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"sync"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/picture"
)

//go:embed page.js
var script string

//go:embed page.css
var style string

// MostBytes is the largest page, unless PageSettings say otherwise: Chromium opens a
// page of 45 MB in about 6 s with 290 MB of memory (measured).
const MostBytes = 64 << 20

// PageSettings describe how a page is written.
type PageSettings struct {
	MostBytes int // 0: MostBytes
	// Hide shows numbers instead of names, in an order drawn from Seed, and no levels. The
	// names are in the key alone.
	Hide bool
	Seed uint64
}

// Key lists the version behind each number of a page with hidden names.
type Key struct {
	SchemaVersion int        `json:"schema_version"`
	Page          string     `json:"page"` // the digest shown on the page
	Versions      []KeyEntry `json:"versions"`
}

// KeyEntry is one version of a key.
type KeyEntry struct {
	Number int             `json:"number"`
	Name   string          `json:"name"`
	GainDB float64         `json:"gain_db"`
	Level  measure.Reading `json:"integrated_lufs"`
}

// sound is one version in the page.
type sound struct {
	Name     string `json:"name"`
	Channels int    `json:"channels"`
	Data     string `json:"data"`
}

// Page returns the HTML file and its key. The same comparison and settings give the same
// bytes. Its error is a *TooLargeError where the page would exceed MostBytes.
func (c *Comparison) Page(s PageSettings) ([]byte, Key, error) {
	if len(c.Versions) < FewestVersions || len(c.Versions) > MostVersions {
		return nil, Key{}, fmt.Errorf("found %d versions; accepted: %d to %d, as Prepare returns them", len(c.Versions), FewestVersions, MostVersions)
	}
	most := s.MostBytes
	if most == 0 {
		most = MostBytes
	}
	order := make([]int, len(c.Versions))
	for i := range order {
		order[i] = i
	}
	if s.Hide {
		rand.New(rand.NewPCG(s.Seed, 0)).Shuffle(len(order), func(i, k int) { order[i], order[k] = order[k], order[i] })
	}
	// All sounds are packed at once; the page has them in order.
	var names []string
	var blocks []dsp.Block
	for at, i := range order {
		v := c.Versions[i]
		name := v.Name
		if s.Hide {
			name = fmt.Sprintf("Version %d", at+1)
		}
		names, blocks = append(names, name), append(blocks, v.Planes)
	}
	if !s.Hide { // a difference signal would show the names of two versions
		for _, d := range c.Differences {
			names, blocks = append(names, d.Name), append(blocks, d.Planes)
		}
	}
	packed, errs := make([]sound, len(blocks)), make([]error, len(blocks))
	var all sync.WaitGroup
	for i := range blocks {
		all.Go(func() { packed[i], errs[i] = c.pack(names[i], blocks[i], i) })
	}
	all.Wait()
	if err := errors.Join(errs...); err != nil {
		return nil, Key{}, err
	}
	versions, differences := packed[:len(order)], packed[len(order):]
	size := 0
	for _, one := range packed {
		size += len(one.Data)
	}
	if size > most {
		seconds := float64(c.Versions[0].Planes.Frames()) / float64(c.Rate)
		return nil, Key{}, &TooLargeError{fmt.Sprintf("the page would have %.1f MB; accepted: %.1f MB, about %.0f s of this sound", float64(size)/1e6, float64(most)/1e6, seconds*float64(most)/float64(size))}
	}
	sum := sha256.New()
	for _, v := range packed {
		sum.Write([]byte(v.Data))
	}
	digest := hex.EncodeToString(sum.Sum(nil))[:16]
	data, err := json.Marshal(map[string]any{"rate": c.Rate, "digest": digest, "versions": versions, "differences": differences}) // escapes <, > and &
	if err != nil {
		return nil, Key{}, err
	}
	key := Key{SchemaVersion: 1, Page: digest}
	for at, i := range order {
		key.Versions = append(key.Versions, KeyEntry{at + 1, c.Versions[i].Name, c.Versions[i].GainDB, c.Versions[i].Loudness})
	}
	policy := fmt.Sprintf("default-src 'none'; script-src %s; style-src %s; worker-src blob:", hashed(script), hashed(style))
	var b strings.Builder
	b.Grow(len(data) + len(script) + 8192)
	fmt.Fprintf(&b, head, policy, style)
	fmt.Fprintf(&b, body, len(c.Versions), c.about(order, s.Hide), digest)
	b.WriteString(`<script type="application/json" id="sound">`)
	b.Write(data)
	b.WriteString("</script>\n<script>" + script + "</script>\n</html>\n")
	return []byte(b.String()), key, nil
}

func (c *Comparison) pack(name string, planes dsp.Block, version int) (sound, error) {
	whole, err := quantise(planes, c.Rate, version)
	if err != nil {
		return sound{}, err
	}
	packed, err := pack(whole)
	return sound{name, len(planes), base64.StdEncoding.EncodeToString(packed)}, err
}

func hashed(text string) string {
	sum := sha256.Sum256([]byte(text))
	return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
}

// about lists gain, loudness and delay of each version, or nothing with hidden names.
func (c *Comparison) about(order []int, hide bool) string {
	var b strings.Builder
	frames := c.Versions[0].Planes.Frames()
	fmt.Fprintf(&b, "<p>%s at %d Hz", plainSeconds(frames, c.Rate), c.Rate)
	if !hide {
		fmt.Fprintf(&b, ", from %s of version 1", measure.TimeCode(c.FirstFrame, c.Rate))
	}
	fmt.Fprintf(&b, `. All versions were brought to the level of the quietest when this page was made: by %s. Sound in the page is 16-bit with dither, whatever the files have.</p>`, picture.Text(c.Level.String()))
	if hide {
		b.WriteString("<p>The names are not in this page; whoever made it has the key.</p>")
		return b.String()
	}
	b.WriteString(`<table><thead><tr><th>version<th>gain applied<th>loudness before<th>later than version 1 by</tr></thead><tbody>`)
	for at, i := range order {
		v := c.Versions[i]
		later := fmt.Sprintf("%.2f frames", math.Round(v.DelayFrames*100)/100+0) // no −0
		if c.Unaligned {
			later = "not aligned"
		}
		if v.Inverted {
			later += "; its polarity was opposite, and is inverted here"
		}
		gain := measure.Reading{Value: v.GainDB, Unit: "dB"}
		fmt.Fprintf(&b, `<tr><th scope="row">%d: %s<td data-h="gain applied">%s<td data-h="loudness before">%s<td data-h="later than version 1 by">%s</tr>`, at+1, picture.Text(v.Name), picture.Minus(gain.String()), picture.Minus(picture.Text(v.Loudness.String())), picture.Minus(later))
	}
	b.WriteString("</tbody></table>")
	return b.String()
}

func plainSeconds(frames, rate int) string {
	return fmt.Sprintf("%.2f s", float64(frames)/float64(rate))
}

const head = `<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="%s">
<meta name="viewport" content="width=device-width">
<title>Listening page</title>
<style>%s</style>
`

const body = `<h1>%d versions of one sound</h1>
<p class="care"><strong>Before you play:</strong> turn the monitors down, or take headphones off your ears. The page starts at −30 dB and rises within a second; raise it slowly. Where your workplace has rules for sound levels, they and the people qualified for them come first.</p>
<div class="row"><button id="play" disabled>Preparing</button><label for="level">Level</label><input id="level" type="range" min="-60" max="0" value="-30"><output id="db">−30 dB</output></div>
<p id="say" role="status" aria-live="polite">Preparing</p>
<div id="versions" role="group" aria-label="versions"></div>
<div id="loops"><div class="row"><label for="position">Position</label><input id="position" type="range" min="0" max="1" step="0.01" value="0"><output id="now">0:00.00</output></div>
<div class="row"><button id="from">Loop from here</button><button id="to">Loop to here</button><button id="whole">Whole excerpt</button><span>Loop: <output id="loop"></output></span></div>
<button id="lift" aria-pressed="false" hidden>Difference 20 dB louder, level 20 dB lower</button></div>
<h2 class="run">Blind test</h2>
<fieldset id="setup"><p>The number of trials is chosen first. No score is shown before the last answer. A run that you leave early has no result.</p>
<div class="row"><select id="kind" aria-label="kind of run"><option value="abx">Which one is X (ABX)</option><option value="preference">Which one do you prefer</option></select>
<label>Trials <select id="trials"><option>10</option><option>12</option><option selected>16</option><option>20</option><option>30</option></select></label></div>
<div class="row"><label>A <select id="one"></select></label><label>B <select id="other"></select></label></div></fieldset>
<div id="blind" hidden><button id="a" disabled>A</button><button id="b" disabled>B</button><button id="x" disabled>X</button><br><button id="isA" disabled>X is A</button><button id="isB" disabled>X is B</button></div>
<button id="begin">Begin</button>
<p id="result"></p>
<div id="about"><h2>About this page</h2>%s<p>Page <code>%s</code>. Keys: <kbd>space</kbd> plays and stops, <kbd>1</kbd> to <kbd>6</kbd> choose a version, <kbd>[</kbd> and <kbd>]</kbd> set the loop, <kbd>+</kbd> and <kbd>-</kbd> the level, <kbd>a</kbd>, <kbd>b</kbd> and <kbd>x</kbd> choose in a blind run. This page uses no network.</p></div>
<noscript>Listening needs the script of this page.</noscript>
`
