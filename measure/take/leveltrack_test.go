package take

import (
	"path/filepath"
	"reflect"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// What is found does not depend on where levels are kept: in memory, in a temporary file,
// or, where no file can be made, in memory all the same. The take holds speech for more
// than three chunks of levels, in two channels.
func TestLevelsInAFile(t *testing.T) {
	const rate = 1000
	speech := dsptest.Speechlike(8000, 2, rate*100, 1)
	f := wave.Format{Rate: rate, Channels: 2, Encoding: wave.Float, Bits: 64}
	inspected := func(most int) (*Inspection, int64) {
		take := newTake(f)
		defer take.levels.close()
		take.levels.store.most = most
		for range 3*trackChunk*hopMs/100000 + 2 {
			for _, write := range take.writes() {
				write(speech)
			}
		}
		take.finish()
		floors := take.levels.findFloors(rate)
		readers := newNoiseReaders(floors)
		for range 4 {
			for _, reader := range readers {
				reader.write(dsp.Block(speech))
			}
		}
		for _, floor := range floors {
			floor.finish()
		}
		in := take.inspection(floors)
		if in.Floors == nil || len(in.Readings) < 10 {
			t.Fatalf("%d readings: nothing was found", len(in.Readings))
		}
		if err := take.levels.store.failed; err != nil {
			t.Fatal(err)
		}
		at, err := take.levels.store.scratch.Append(nil) // how long the file is
		if err != nil {
			at = -1
		}
		return in, at
	}
	temporary := t.TempDir()
	t.Setenv("TMPDIR", temporary)
	t.Setenv("TMP", temporary)
	want, length := inspected(chunksInMemory)
	if length != 0 {
		t.Errorf("%d bytes are in a file: too many to compare with", length)
	}
	for _, most := range []int{0, 1, 7} {
		got, length := inspected(most)
		if length < 2*trackChunk {
			t.Errorf("%d chunks in memory: %d bytes are in a file: nothing is tested", most, length)
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%d chunks in memory:\n%+v, want\n%+v", most, got.Readings, want.Readings)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(temporary, "*")); len(left) > 0 {
		t.Errorf("%v are left", left)
	}
	t.Setenv("TMPDIR", filepath.Join(temporary, "missing"))
	t.Setenv("TMP", filepath.Join(temporary, "missing"))
	got, length := inspected(0)
	if length >= 0 || !reflect.DeepEqual(got, want) {
		t.Errorf("without a folder for temporary files (%d):\n%+v, want\n%+v", length, got.Readings, want.Readings)
	}
}
