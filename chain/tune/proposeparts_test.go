package tune

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
)

// joinedRooms returns a take that was cut from recordings of two rooms, whose noises are 4 to 24
// dB apart, and the rooms.
func joinedRooms(t testing.TB, seed uint64) (rooms [2]takes.Room, x []float64) {
	takes.ForgetNoises()
	rng := rand.New(rand.NewPCG(seed, 9003))
	voice := takes.Spoken(t, []string{takes.Readings, takes.SpokenNames, "/usr/share/pocketsphinx/test/data/cards/*.wav"}[seed%3])
	kind := func() string { return []string{"white", "pink", "room"}[rng.IntN(3)] }
	snr, apart := 16+16*rng.Float64(), 4+20*rng.Float64()
	rooms[0] = takes.NewRoom(voice, kind(), snr, 0.25, 15+15*rng.Float64(), 9500+seed)
	rooms[1] = takes.NewRoom(voice, kind(), snr+apart, 0.25, 15+15*rng.Float64(), 9600+seed)
	if rng.IntN(2) == 0 {
		rooms[0], rooms[1] = rooms[1], rooms[0]
	}
	return rooms, slices.Concat(rooms[0].Take(), rooms[1].Take())
}

// Of a take that was cut from two rooms a note states both floors, the threshold is that of the
// noisier room (each within 1 dB), and the stated damage counts the speech of each room down to
// its own noise: half a point more or less than what the clean speech loses (at worst 0.4, where
// soft ends of words are not distinct from the noise), and at most 1 end and 2 starts less (see
// TestWordEndsAgainstCleanSpeech). In two of three takes the soft speech of the quieter room
// needs a smaller range than 12 dB.
func TestDamageInATakeFromTwoRooms(t *testing.T) {
	seeds := []uint64{11, 22}
	if dsptest.IsExhaustive() {
		seeds = nil
		for k := range uint64(24) {
			seeds = append(seeds, k)
		}
	}
	lessRange := 0
	for _, seed := range seeds {
		rooms, x := joinedRooms(t, seed)
		rate := rooms[0].Rate
		p := proposed(t, rate, ProposeSettings{}, x)
		s, on := expanderOf(t, p)
		var low, high float64
		for _, note := range p.Notes {
			fmt.Sscanf(note, "take has two noise floors, %f dBFS and %f dBFS", &low, &high)
		}
		floors := []float64{takes.BandLevel(rooms[0].Noise, rate, 20, 20000), takes.BandLevel(rooms[1].Noise, rate, 20, 20000)}
		if math.Abs(low-slices.Min(floors)) > 1 || math.Abs(high-slices.Max(floors)) > 1 {
			t.Errorf("take %d: noise at %.1f dBFS: notes %q", seed, floors, p.Notes)
		}
		want := max(analysed(t, rate, rooms[0].Noise).threshold(), analysed(t, rate, rooms[1].Noise).threshold())
		if math.Abs(s.ThresholdDBFS-want) > 1 {
			t.Errorf("take %d: threshold %.1f dBFS, by the noise of the noisier room %.1f", seed, s.ThresholdDBFS, want)
		}
		if !on {
			lessRange++
			continue
		}
		if s.RangeDB < mostRangeDB {
			lessRange++
		}
		y := soundAhead(t, p.Chain, "expander", rate, x)
		lowered, total, ends, starts := 0, 0, 0, 0
		for i, at := 0, 0; i < 2; i++ {
			room := rooms[i]
			part := y[at : at+len(room.Speech)]
			at += len(room.Speech)
			gain := expanderGain(t, part, rate, s)
			for _, w := range trueWords(room) {
				for ms := w.from; ms < w.to; ms++ {
					if total++; gain[min(len(gain)-1, ms*rate/1000)] < 0.891 {
						lowered++
					}
				}
			}
			_, e, b := trueCuts(t, room, part, s, 0)
			ends, starts = ends+e, starts+b
		}
		d, share := p.Takes[0], float64(lowered)/float64(total)
		t.Logf("take %d: floors %.1f dBFS, range %.1f dB: %.2f %% lowered, %d ends and %d starts cut; stated %.2f %%, %d, %d of %d", seed, floors, s.RangeDB, 100*share, ends, starts, 100*d.Lowered, d.EndsCut, d.StartsCut, d.Phrases)
		if math.Abs(share-d.Lowered) > 0.005 || ends > d.EndsCut+1 || starts > d.StartsCut+2 {
			t.Errorf("take %d: %.2f %% lowered, %d ends and %d starts cut; stated %.2f %%, %d and %d", seed, 100*share, ends, starts, 100*d.Lowered, d.EndsCut, d.StartsCut)
		}
	}
	if 3*lessRange < 2*len(seeds) {
		t.Errorf("less range in %d of %d takes: the quieter room does not count", lessRange, len(seeds))
	}
}
