package wave

import (
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
)

// Sound comes back bit for bit, channel by channel, from memory and from the file, however
// it was written; nothing is left behind.
func TestStored(t *testing.T) {
	temporary := t.TempDir()
	t.Setenv("TMPDIR", temporary) // Unix
	t.Setenv("TMP", temporary)    // Windows
	random := rand.New(rand.NewPCG(1, 2))
	for _, most := range []int{0, 1, 1000, 30000, 1 << 30} {
		for _, byBlock := range []bool{true, false} {
			const channels = 3
			s := NewStored(Unquantised(48000, channels))
			s.most = most
			want := make(dsp.Block, channels)
			for c := range want {
				want[c] = make([]float64, 40000)
				for n := range want[c] {
					want[c][n] = math.Float64frombits(random.Uint64()) // NaN with all its bits, infinities, denormals
				}
			}
			if byBlock {
				for step := 1 + random.IntN(20000); want.Frames() > s.Frames(); {
					from, to := s.Frames(), min(s.Frames()+step, want.Frames())
					if err := s.Write(dsp.Block{want[0][from:to], want[1][from:to], want[2][from:to]}); err != nil {
						t.Fatal(err)
					}
				}
			} else {
				for c := range want {
					if err := s.Append(c, want[c]); err != nil {
						t.Fatal(err)
					}
				}
			}
			if files, _ := filepath.Glob(filepath.Join(temporary, "*", "*")); (len(files) > 0) != (most < 1<<30) {
				t.Errorf("%d samples in memory: files %v", most, files)
			}
			if s.Frames() != want.Frames() || s.Channels() != channels {
				t.Fatalf("%d channels of %d frames", s.Channels(), s.Frames())
			}
			for _, c := range []int{1, 0, 2, 1} {
				got, err := s.Plane(c)
				if err != nil || len(got) != len(want[c]) {
					t.Fatalf("%d frames, %v", len(got), err)
				}
				for n := range got {
					if math.Float64bits(got[n]) != math.Float64bits(want[c][n]) {
						t.Fatalf("%d samples in memory: channel %d, frame %d: %x, want %x", most, c, n, math.Float64bits(got[n]), math.Float64bits(want[c][n]))
					}
				}
			}
			if err := s.Close(); err != nil {
				t.Error(err)
			}
			if left, _ := os.ReadDir(temporary); len(left) > 0 {
				t.Fatalf("%s is left", left[0].Name())
			}
		}
	}
}

// Sound that cannot be stored gives an output error that names the folder.
func TestStoredWithoutRoom(t *testing.T) {
	missing := filepath.Join(t.TempDir(), "missing")
	t.Setenv("TMPDIR", missing)
	t.Setenv("TMP", missing)
	s := NewStored(Unquantised(48000, 1))
	s.most = 10
	output := (*OutputError)(nil)
	if err := s.Append(0, make([]float64, 11)); !errors.As(err, &output) || output.Path != missing || !strings.Contains(err.Error(), "it does not exist") {
		t.Errorf("a missing folder: %v", err)
	}
	t.Setenv("TMPDIR", t.TempDir())
	t.Setenv("TMP", os.Getenv("TMPDIR"))
	s = NewStored(Unquantised(48000, 1))
	s.most = 10
	if err := s.Append(0, make([]float64, 11)); err != nil {
		t.Fatal(err)
	}
	path := s.scratch.file.Name()
	s.scratch.file.Close() // stands for a disk that refuses
	if err := s.Append(0, make([]float64, storedFrames)); !errors.As(err, &output) || output.Path != path {
		t.Errorf("a file that refuses: %v", err)
	}
	if _, err := s.Plane(0); err == nil {
		t.Error("a file that cannot be read back is no error")
	}
	s.Close()
}

// Reserve changes no sample, and takes no memory for more samples than may be kept there.
func TestStoredReserve(t *testing.T) {
	s := NewStoredWithin(Format{Channels: 2}, 100)
	defer s.Close()
	s.Reserve(0, 60)
	s.Reserve(1, 1000)
	if got := cap(s.channels[0].last); got < 60 || cap(s.channels[1].last) != 0 {
		t.Errorf("reserved %d and %d", got, cap(s.channels[1].last))
	}
	for _, part := range [][]float64{{1, 2}, {3}} {
		if err := s.Append(0, part); err != nil {
			t.Fatal(err)
		}
	}
	if got, err := s.Plane(0); err != nil || !slices.Equal(got, []float64{1, 2, 3}) {
		t.Errorf("%v, %v", got, err)
	}
}
