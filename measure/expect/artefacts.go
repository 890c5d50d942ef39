package expect

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/compare"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// keeper writes the differences of files from the files that they are compared with.
type keeper struct {
	folder string
	inputs map[string]bool    // files that must not be written to
	take   func(*wave.Writer) // receives each difference to commit; nil: each is committed at once
}

// keeper makes the keeper for a run over files.
func (l *Limits) keeper(files []string, take func(*wave.Writer)) *keeper {
	k := &keeper{l.Artefacts, map[string]bool{}, take}
	for _, file := range files {
		k.inputs[placeOf(file)] = true
		for _, g := range l.Groups {
			if g.Like != "" {
				k.inputs[placeOf(g.likeOf(file))] = true
			}
		}
	}
	return k
}

// artefactOf is where a file's difference is kept: below the folder, under the file's
// path as the working folder sees it, so that equal names of different folders stay
// apart. Files outside of the working folder have their whole path below "outside". The
// second difference of a file, against another file, has a number.
func artefactOf(folder, file string, before int) string {
	name := filepath.Clean(file)
	if here := placeOf("."); filepath.IsAbs(name) {
		if below, err := filepath.Rel(here, placeOf(name)); err == nil {
			name = below
		}
	}
	if !filepath.IsLocal(name) {
		place := placeOf(file)
		name = filepath.Join("outside", strings.TrimPrefix(place, filepath.VolumeName(place)))
	}
	number := ""
	if before > 0 {
		number = fmt.Sprintf("-%d", before+1)
	}
	return filepath.Join(folder, name+".difference"+number+".wav")
}

// ArtefactOf is where the difference of a file is kept, "" where none is.
func (l *Limits) ArtefactOf(file string) string {
	if l.Artefacts == "" {
		return ""
	}
	return artefactOf(l.Artefacts, file, 0)
}

// difference writes the difference of a file from the one that it is compared with. It
// returns the path, "" where the sounds are different ones and have none. before is the
// number of differences of the file that were written already.
func (k *keeper) difference(ctx context.Context, file string, before int, got, want Sound) (string, error) {
	path := artefactOf(k.folder, file, before)
	if k.inputs[placeOf(path)] {
		return "", &wave.OutputError{Path: path, Doing: "write over it", Err: fmt.Errorf("it is an input; name another folder for artefacts")}
	}
	if err := wave.MakeFolder(filepath.Dir(path)); err != nil {
		return "", err
	}
	out, err := writeDifference(ctx, path, got, want)
	if out == nil || err != nil {
		return "", err
	}
	if k.take != nil {
		k.take(out)
		return path, nil
	}
	defer out.Abort()
	return path, out.Commit()
}

// writeDifference writes the difference of two sounds, without committing it. It is nil
// where the sounds have none.
func writeDifference(ctx context.Context, path string, got, want Sound) (*wave.Writer, error) {
	src, err := want.Open()
	if err != nil {
		return nil, err
	}
	f := src.Format()
	planes.Close(src)
	out, err := wave.Create(path, wave.Format{Rate: f.Rate, Channels: f.Channels, Encoding: wave.Float, Bits: 32}, wave.Options{Replace: true})
	if err != nil {
		return nil, err
	}
	c, err := compare.Sounds(ctx, want.Open, got.Open, compare.Settings{Residual: out})
	if err != nil || !c.Same {
		out.Abort()
		return nil, err
	}
	return out, nil
}

// keepDifference writes the difference of two sounds, if there is one, to a file.
func keepDifference(ctx context.Context, path string, got, want Sound) error {
	out, err := writeDifference(ctx, path, got, want)
	if out == nil || err != nil {
		return err
	}
	defer out.Abort()
	return out.Commit()
}
