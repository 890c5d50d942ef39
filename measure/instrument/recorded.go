package instrument

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Recorded is a device of which there is a recording: its response to one stimulus, with the
// same rate and channels. The recording may begin earlier or later than the stimulus, and be
// longer or shorter.
type Recorded struct {
	Stimulus, Recording string // WAV files
}

// Respond returns the recording, if the stimulus is the one that was recorded.
func (d *Recorded) Respond(ctx context.Context, played wave.Source, response wave.Sink) error {
	file, recorded, err := d.open()
	if err != nil {
		return err
	}
	defer file.Close()
	defer recorded.Close()
	if err := sameFormat(d.Recording, recorded.Format(), file.Format()); err != nil {
		return err
	}
	if err := sameSound(ctx, played, file, d.Stimulus); err != nil {
		return err
	}
	return pass(ctx, recorded, response)
}

// open opens both files; the caller closes them.
func (d *Recorded) open() (stimulus, recording *wave.Reader, err error) {
	if stimulus, err = wave.Open(d.Stimulus); err != nil {
		return nil, nil, err
	}
	if recording, err = wave.Open(d.Recording); err != nil {
		stimulus.Close()
		return nil, nil, err
	}
	return stimulus, recording, nil
}

// Align finds the stimulus in the recording by its marks and its code, wherever both begin, and
// returns the signal between the marks. The stimulus has to be a file as boothbench tone writes
// it. A recording that does not show the device's behaviour is a *VoidError with the reason.
// The caller closes the alignment.
func (d *Recorded) Align() (stimulus.Signal, *Alignment, error) {
	played, recording, err := d.open()
	if err != nil {
		return nil, nil, err
	}
	defer played.Close()
	defer recording.Close()
	m, err := IdentityOf(played)
	if err != nil {
		if IsStimulus(recording) {
			return nil, nil, inReverse(d)
		}
		return nil, nil, err
	}
	a, err := AlignFiles(played, recording)
	return m.Signal, a, err
}

// inReverse is the error for a stimulus and a recording in exchanged places.
func inReverse(d *Recorded) error {
	return fmt.Errorf("%s is not as boothbench tone wrote it, and %s, which was named as its recording, is: they are exchanged; name the file that was played as the stimulus, and its recording second", d.Stimulus, d.Recording)
}

// sameFormat requires a response with the stimulus's rate and channels.
func sameFormat(name string, response, stimulus wave.Format) error {
	if response.Rate == stimulus.Rate && response.Channels == stimulus.Channels {
		return nil
	}
	return fmt.Errorf("%s: found %s at %d Hz; accepted: %d at %d Hz, as the stimulus",
		name, dsp.Plural(response.Channels, "channel"), response.Rate, stimulus.Channels, stimulus.Rate)
}

// sameSound requires that a source holds the same sound as a file.
func sameSound(ctx context.Context, stimulus wave.Source, file *wave.Reader, name string) error {
	if err := sameFormat("stimulus", stimulus.Format(), file.Format()); err != nil {
		return err
	}
	compare := &comparison{file: file, name: name}
	if err := pass(ctx, stimulus, compare); err != nil {
		return err
	}
	if compare.frame != file.Frames() {
		return fmt.Errorf("the stimulus has %d frames, but %s has %d: they are not the same sound", compare.frame, name, file.Frames())
	}
	return nil
}

// comparison is a sink that compares sound with a file.
type comparison struct {
	file  *wave.Reader
	name  string
	frame int64
}

func (c *comparison) Write(b dsp.Block) error {
	for rest := b; rest.Frames() > 0; {
		want := dsp.NewBlock(len(b), rest.Frames())
		n, err := c.file.Read(want)
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		for k := range n {
			for i := range rest {
				if rest[i][k] != want[i][k] {
					return fmt.Errorf("%s, which was played, is not the stimulus: they differ at frame %d, channel %d", c.name, c.frame+int64(k), i+1)
				}
			}
		}
		if n == 0 {
			return fmt.Errorf("the stimulus is longer than %s, which was played and ends at frame %d", c.name, c.frame)
		}
		c.frame += int64(n)
		rest = planes.After(rest, n)
	}
	return nil
}

// pass copies all of a source to a sink.
func pass(ctx context.Context, from wave.Source, to wave.Sink) error {
	b := dsp.NewBlock(from.Format().Channels, 4096)
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := from.Read(b)
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		if n > 0 {
			if err := to.Write(planes.Before(b, n)); err != nil {
				return err
			}
		}
		if err != nil { // the last frames may come together with the end
			return nil
		}
	}
}
