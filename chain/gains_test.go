package chain_test

import (
	"context"
	"encoding/csv"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
)

const twoDynamics = `schema = 1
[[stage]]
kind = "compressor"
threshold_dbfs = -30
lookahead_ms = 10
link_channels = false
[[stage]]
kind = "limiter"
ceiling_dbtp = -12
`

// Gains and Trace say the same: of 1 ms a column, the columns are the rows; and the
// percentiles are those of the rows that reach WorkingDB, as sorting finds them.
func TestGainsAgainstTrace(t *testing.T) {
	for _, rate := range []int{8000, 44100, 48000} {
		e := prepare(t, twoDynamics, rate, 2)
		take := demoTake(t, 2)
		for c := range take {
			take[c] = take[c][:100_000]
		}
		var text strings.Builder
		gains := chain.NewGains(1 << 20)
		_, err := e.Run(context.Background(), newSound(rate, take), discard{}, chain.Options{Trace: chain.NewTrace(&text), Gains: gains, Workers: 2, BlockFrames: 777})
		if err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(strings.NewReader(text.String())).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		stages := gains.Stages()
		if len(stages) != 3 || stages[0].Stage != 0 || stages[1].Stage != 1 || stages[2].Stage != 1 || stages[2].Name != "limiter verification" {
			t.Fatalf("stages %+v", stages)
		}
		for i, s := range stages {
			var working []float64
			largest := 0.0
			for c, curve := range s.LowestDB {
				if len(curve) != len(rows)-1 {
					t.Fatalf("%s has %d columns, the trace %d rows", s.Name, len(curve), len(rows)-1)
				}
				for k, db := range curve {
					if want := strconv.FormatFloat(db+0, 'f', 3, 64); rows[1+k][2+2*i+c] != want {
						t.Fatalf("%s, channel %d, row %d: %s in the trace, %s in the gains", s.Name, c+1, k, rows[1+k][2+2*i+c], want)
					}
					if hundredths := math.Round(-100 * db); hundredths >= 100*chain.WorkingDB {
						working = append(working, hundredths/100)
					}
					largest = max(largest, -db)
				}
			}
			slices.Sort(working)
			want := chain.Reduction{LargestDB: largest, WorkingShare: float64(len(working)) / float64(2*(len(rows)-1))}
			if n := len(working); n > 0 {
				want.MedianDB, want.P95DB = working[(n+1)/2-1], working[int(math.Ceil(0.95*float64(n)))-1]
			}
			got := s.Reduction
			if math.Abs(got.LargestDB-want.LargestDB) > 1e-9 || got.MedianDB != want.MedianDB || got.P95DB != want.P95DB || got.WorkingShare != want.WorkingShare {
				t.Errorf("%d Hz, %s: %+v, sorting gives %+v", rate, s.Name, got, want)
			}
		}
		if r := stages[0].Reduction; r.WorkingShare < 0.2 || r.MedianDB < 1 || r.P95DB <= r.MedianDB {
			t.Errorf("%d Hz: the compressor hardly works: %+v", rate, r)
		}
	}
}

// Fewer columns hold the lowest of the columns that they join, and there are never
// more than asked for, nor fewer than half as many.
func TestGainsJoinColumns(t *testing.T) {
	e := prepare(t, twoDynamics, 48000, 1)
	take := demoTake(t, 1)[0]
	run := func(frames, columns int) chain.StageGains {
		gains := chain.NewGains(columns)
		if _, err := e.Run(context.Background(), newSound(48000, dsp.Block{take[:frames]}), discard{}, chain.Options{Gains: gains}); err != nil {
			t.Fatal(err)
		}
		return gains.Stages()[0]
	}
	for _, frames := range []int{1, 48, 49, 47_999, 200_000} {
		fine := run(frames, 1<<20).LowestDB[0]
		for _, columns := range []int{2, 3, 7, 100, 101, 4096} {
			s := run(frames, columns)
			curve := s.LowestDB[0]
			joined := s.ColumnFrames / 48
			if len(curve) > columns || 2*len(curve) < min(columns, len(fine)) || len(curve) != (len(fine)+joined-1)/joined {
				t.Errorf("%d ms give %d columns of %d ms, where %d were asked for", len(fine), len(curve), joined, columns)
				continue
			}
			for k, db := range curve {
				if want := slices.Min(fine[k*joined : min(len(fine), (k+1)*joined)]); db != want {
					t.Errorf("%d ms in %d columns: column %d is %g dB, want %g", len(fine), columns, k, db, want)
				}
			}
		}
	}
	if s := run(48000, 0); s.LowestDB != nil || s.Reduction != run(48000, 500).Reduction {
		t.Errorf("without columns: %+v", s)
	}
}
