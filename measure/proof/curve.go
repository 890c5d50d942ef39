package proof

import (
	"context"
	"fmt"
	"math/cmplx"
	"slices"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
)

// Curve is a measured curve beside the declared one, of channel 1: columns
// frequency_hz or in_dbfs, gain_db and declared_gain_db.
type Curve struct {
	Stage     string
	Condition string // stimulus and level
	// WithinDB is by how much the two may differ, as a line of the sheet claims.
	WithinDB  float64
	Deviation measure.Reading // the largest difference, as that line has it
	measure.Table
}

// curveOf makes an experiment's curve from the same response as its readings.
type curveOf struct {
	instrument.Tabled
	through  func(instrument.Device) instrument.Device // what is in front of the device; nil: nothing
	declared func(x float64) float64                   // the gain in dB
}

// readings are those of the instrument, with the curve.
func (o *curveOf) readings(ctx context.Context, d instrument.Device, rate int) (measure.Readings, measure.Table, error) {
	if o.through != nil {
		d = o.through(d)
	}
	sound, err := o.Stimulus().Make(rate)
	if err != nil {
		return nil, measure.Table{}, err
	}
	response, err := instrument.Respond(ctx, d, rate, sound)
	if err != nil {
		return nil, measure.Table{}, err
	}
	readings, err := o.Analyse(rate, response)
	if err != nil {
		return nil, measure.Table{}, err
	}
	full, err := o.Table(rate, response)
	if err != nil {
		return readings, measure.Table{}, nil // readings without a curve, with their reasons
	}
	gain := slices.IndexFunc(full.Columns, func(name string) bool { return name == "gain_db" || name == "gain_db_ch1" })
	if gain < 0 {
		return nil, measure.Table{}, fmt.Errorf("a curve of the columns %q has no gain", full.Columns)
	}
	t := measure.Table{Columns: []string{full.Columns[0], "gain_db", "declared_gain_db"}}
	for _, row := range full.Rows {
		t.Rows = append(t.Rows, []float64{row[0], row[gain], o.declared(row[0])})
	}
	return readings, t, nil
}

// decibels is a response's magnitude.
func (r response) decibels(hz float64) float64 { return dsp.AmplitudeToDB(cmplx.Abs(r(hz))) }

// OfChainWithCurves is OfChain, and keeps each curve that a claim is about.
func OfChainWithCurves(ctx context.Context, c *chain.Chain, rate int, shown func(stage string, i, of int)) (*Sheet, error) {
	return ofChain(ctx, c, &Sheet{Subject: c.Path, RateHz: rate, keepCurves: true}, shown)
}
