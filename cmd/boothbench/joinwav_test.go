package main

import (
	"errors"
	"io"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/rogpeppe/go-internal/testscript"
)

// joinwav OUT BITS FILE[@FROM[-TO]]… joins parts of WAVs, in frames, as somebody cuts and
// joins recordings. BITS are those of OUT.
func joinWAV(ts *testscript.TestScript, neg bool, args []string) {
	var all dsp.Block
	rate := 0
	for _, part := range args[2:] {
		name, span, _ := strings.Cut(part, "@")
		r, err := wave.Open(ts.MkAbs(name))
		ts.Check(err)
		rate = r.Format().Rate
		b := dsp.NewBlock(r.Format().Channels, int(r.Frames()))
		if _, err := r.Read(b); !errors.Is(err, io.EOF) {
			ts.Check(err)
		}
		ts.Check(r.Close())
		from, to := 0, b.Frames()
		if low, high, has := strings.Cut(span, "-"); low != "" {
			from, err = strconv.Atoi(low)
			ts.Check(err)
			if has {
				to, err = strconv.Atoi(high)
				ts.Check(err)
			}
		}
		if all == nil {
			all = make(dsp.Block, len(b))
		}
		for c := range all {
			all[c] = append(all[c], b[c][from:to]...)
		}
	}
	bits, err := strconv.Atoi(args[1])
	ts.Check(err)
	w, err := wave.Create(ts.MkAbs(args[0]), wave.Format{Rate: rate, Channels: len(all), Encoding: wave.Integer, Bits: bits}, wave.Options{Dither: wave.TPDF, Seed: 7})
	ts.Check(err)
	ts.Check(w.Write(all))
	ts.Check(w.Commit())
}
