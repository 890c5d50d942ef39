package proof

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
)

// Implementation is another way to run a chain than the engine: a port to a device,
// another version, a host with its settings. Device runs a chain: the whole one, or one
// of a single stage; nil where it cannot. Folder is the name of the part, such as
// "2-expander" or "whole-chain".
type Implementation struct {
	Device func(folder string, part *chain.Chain) (instrument.Device, error)
	// Once: each sound is played through it a single time, as for recordings.
	Once bool
}

// OfImplementation tests an implementation of a chain against the same claims as
// the engine, except those that only an engine in memory can show: rounding to
// 16 bits and, where each sound goes through Once, state left over from the
// previous run.
func OfImplementation(ctx context.Context, c *chain.Chain, by Implementation, rate int, shown func(stage string, i, of int)) (*Sheet, error) {
	parts, err := partsOf(c, rate)
	if err != nil {
		return nil, err
	}
	sheet := &Sheet{Subject: c.Path, RateHz: rate}
	var run []part
	for i, p := range parts {
		whole := p.name == wholeChain
		folder := "whole-chain"
		if !whole {
			folder = fmt.Sprintf("%d-%s", i+1, p.chain.Stages[0].Kind)
		}
		if p.device, err = by.Device(folder, p.chain); err != nil {
			return nil, err
		}
		if p.device == nil {
			sheet.Unclaimed = append(sheet.Unclaimed, Unclaimed{p.name, "the stage by itself", measure.EveryReading, "the command names no {chain}, so it can only run the whole chain"})
			continue
		}
		for k := range p.experiments {
			switch x := &p.experiments[k]; {
			case x.inMemory:
				x.omitAll("only an engine in memory shows it")
			case by.Once && x.again:
				x.omitAll("this claim needs two runs, and a recording has each sound once")
			}
		}
		for k := range p.experiments {
			p.experiments[k].Claims = inFiles(p.experiments[k].Claims)
		}
		run = append(run, p)
	}
	return sheet, sheet.proveParts(ctx, run, 1, shown)
}

// fileRoundingDB is the rounding of 32-bit floating point relative to a tone: at most
// 2^−25 of each sample, which is −150 dB, and 10 dB more.
const fileRoundingDB = -140

// inFiles are claims as 32-bit floating point can meet them.
func inFiles(claims []Claim) []Claim {
	claims = slices.Clone(claims)
	for i, c := range claims {
		if c.Max != nil && c.Reading == "thd_plus_noise_db" && *c.Max < fileRoundingDB {
			claims[i].Max, claims[i].Why = new(float64(fileRoundingDB)), "the rounding of 32-bit floating point"
		}
	}
	return claims
}

// ByCommand is an implementation that is a command of the operating system. It runs
// single stages if the command contains {chain}, which stands for a chain file; else only
// the whole chain, or a chain of one stage.
func ByCommand(command *instrument.Command, c *chain.Chain) Implementation {
	enabled := 0
	for _, s := range c.Stages {
		if s.Enabled {
			enabled++
		}
	}
	return Implementation{Device: func(folder string, part *chain.Chain) (instrument.Device, error) {
		if !command.Names("{chain}") {
			if folder != "whole-chain" && enabled > 1 {
				return nil, nil
			}
			return command, nil
		}
		text, err := part.Format(false)
		if err != nil {
			return nil, err
		}
		with := *command
		with.Files = map[string][]byte{"{chain}": text}
		return &with, nil
	}}
}

// WriteStimuli writes every sound that a chain's claims need into a folder. Each stage,
// and the whole chain, has a folder with its chain file and WAV files of 32-bit floating
// point. The device's responses belong into another folder under the same names: see
// ByRecordings. It returns the number of files.
func WriteStimuli(ctx context.Context, c *chain.Chain, dir string, rate int) (files int, err error) {
	by := Implementation{Once: true, Device: func(folder string, part *chain.Chain) (instrument.Device, error) {
		folder = filepath.Join(dir, folder)
		if err := os.MkdirAll(folder, 0o777); err != nil {
			return nil, err
		}
		text, err := part.Format(false)
		if err != nil {
			return nil, err
		}
		return writer{folder, &files}, os.WriteFile(filepath.Join(folder, "chain.toml"), text, 0o666)
	}}
	_, err = OfImplementation(ctx, c, by, rate, nil)
	return files, err
}

// ByRecordings is an implementation that was recorded: files in folders named as those of
// WriteStimuli. Each begins at the same frame as its stimulus, and is as long or longer,
// by the latency and the decay.
func ByRecordings(dir string) Implementation {
	return Implementation{Once: true, Device: func(folder string, _ *chain.Chain) (instrument.Device, error) {
		return recordings{filepath.Join(dir, folder)}, nil
	}}
}

// planesOf is the rest of a source.
func planesOf(src wave.Source) (dsp.Block, error) {
	f := src.Format()
	all, block := wave.NewMemory(f, dsp.NewBlock(f.Channels, 0)), dsp.NewBlock(f.Channels, 4096)
	for {
		n, err := src.Read(block)
		if n > 0 {
			part := make(dsp.Block, len(block))
			for c := range part {
				part[c] = block[c][:n]
			}
			if err := all.Write(part); err != nil {
				return nil, err
			}
		}
		if errors.Is(err, io.EOF) {
			return all.Planes(), nil
		}
		if err != nil {
			return nil, err
		}
	}
}

// soundOf is the sound of a source, and a name for its file. The name comes from rounded
// samples, since those of a stimulus may differ in their last bits on another processor.
func soundOf(src wave.Source) (dsp.Block, string, error) {
	sound, err := planesOf(src)
	if err != nil {
		return nil, "", err
	}
	h := sha256.New()
	f := src.Format()
	fmt.Fprintln(h, f.Rate, f.Channels, sound.Frames())
	for _, plane := range sound {
		for _, v := range plane {
			binary.Write(h, binary.LittleEndian, int32(math.Round(v*1e6))) // a hash does not fail
		}
	}
	return sound, fmt.Sprintf("%x.wav", h.Sum(nil)[:5]), nil
}

// writer is a device that writes the sounds it is given.
type writer struct {
	folder string
	files  *int
}

func (w writer) Respond(_ context.Context, played wave.Source, response wave.Sink) error {
	sound, name, err := soundOf(played)
	if err != nil {
		return err
	}
	path := filepath.Join(w.folder, name)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		f := played.Format()
		out, err := wave.Create(path, wave.Format{Rate: f.Rate, Channels: f.Channels, Encoding: wave.Float, Bits: 32}, wave.Options{})
		if err != nil {
			return err
		}
		defer out.Abort() // does nothing after Commit
		if err := out.Write(sound); err != nil {
			return err
		}
		if err := out.Commit(); err != nil {
			return err
		}
		*w.files++
	}
	return response.Write(sound)
}

// recordings is a device that responds with files.
type recordings struct{ folder string }

func (r recordings) Respond(_ context.Context, played wave.Source, response wave.Sink) error {
	_, name, err := soundOf(played)
	if err != nil {
		return err
	}
	path := filepath.Join(r.folder, name)
	file, err := wave.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("there is no recording %s", path)
	}
	if err != nil {
		return err
	}
	defer file.Close()
	if f, want := file.Format(), played.Format(); f.Rate != want.Rate || f.Channels != want.Channels {
		return fmt.Errorf("%s: found %s at %d Hz; accepted: %d at %d Hz, as its stimulus", path, dsp.Plural(f.Channels, "channel"), f.Rate, want.Channels, want.Rate)
	}
	sound, _, err := soundOf(file)
	if err != nil {
		return err
	}
	return response.Write(sound)
}
