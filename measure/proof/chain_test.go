package proof

import (
	"context"
	"testing"

	"github.com/boothbench/boothbench/chain"
)

func parse(t *testing.T, text string) *chain.Chain {
	t.Helper()
	c, err := chain.Parse("test.toml", []byte("schema = 1\n"+text))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestTry(t *testing.T) {
	c := parse(t, `
[[stage]]
kind = "highpass"
[[stage]]
kind = "equaliser"
[[stage.band]]
shape = "bell"
centre_hz = 3000
gain_db = 4
q = 1
[[stage.band]]
shape = "high-shelf"
centre_hz = 6000
gain_db = 3
[[stage]]
kind = "gain"
gain_db = 3
[[stage]]
kind = "delay"
delay_ms = 1500.01
channels = [2]
[[stage]]
kind = "polarity"
channels = [2]
`)
	s, err := OfChain(context.Background(), c, 48000, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range s.Lines {
		t.Log(l.Verdict, l.Judgement, l.Got.Definition)
	}
}
