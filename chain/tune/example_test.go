package tune_test

import (
	"context"
	"fmt"
	"log"
	"os"
	"path/filepath"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp/wave"
)

// A take is delivered to a loudness of −19 LUFS under −1 dBTP.
func ExampleDeliver() {
	dir, err := os.MkdirTemp("", "")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	c, err := chain.Load("../../testdata/harbour-street.toml")
	if err != nil {
		log.Fatal(err)
	}
	job := tune.Job{In: "../../testdata/harbour-street.wav", Out: filepath.Join(dir, "episode.wav")}
	d, err := tune.Deliver(context.Background(), c, tune.TargetLoudness(-19, -1), []tune.Job{job}, tune.Settings{})
	if err != nil {
		log.Fatal(err) // a *tune.Refusal states what is possible
	}
	loudness, _ := d.Files[0].Readings.Get("integrated_lufs")
	key, before := d.SetsKey()
	fmt.Println(loudness)
	fmt.Printf("%s = %.1f, before %g\n", key, d.GainDB, before)
	// Output:
	// -19.00 LUFS
	// drive_db = 4.0, before 6
}

// Analyses can be stored and solved together later. Here two takes are one programme.
func ExampleSolve() {
	c, err := chain.Load("../../testdata/harbour-street.toml")
	if err != nil {
		log.Fatal(err)
	}
	var stored [][]byte
	for range 2 {
		take, err := wave.Open("../../testdata/harbour-street.wav")
		if err != nil {
			log.Fatal(err)
		}
		a, err := tune.Analyse(context.Background(), c, take, tune.AnalyseOptions{})
		take.Close()
		if err != nil {
			log.Fatal(err)
		}
		data, err := a.MarshalBinary()
		if err != nil {
			log.Fatal(err)
		}
		stored = append(stored, data)
	}
	takes := make([]*tune.Analysis, len(stored))
	for i, data := range stored {
		takes[i] = new(tune.Analysis)
		if err := takes[i].UnmarshalBinary(data); err != nil {
			log.Fatal(err) // damaged, or from another version: analyse again
		}
	}
	s, err := tune.Solve(c, tune.TargetLoudness(-16, -1), takes...)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("drive_db = %.1f gives %.2f LUFS; 95th percentile of the limiting %.1f dB\n", s.GainDB, s.ForecastLUFS, s.Cost.P95DB)
	// Output:
	// drive_db = 7.3 gives -16.00 LUFS; 95th percentile of the limiting 0.6 dB
}
