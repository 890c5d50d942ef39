package chain_test

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"runtime"
	"strings"
	"testing"

	"github.com/go-audio/audio"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

const everyStage = `schema = 1
[[stage]]
kind = "gain"
gain_db = 2
[[stage]]
kind = "highpass"
corner_hz = 80
slope_db_per_octave = 18
[[stage]]
kind = "expander"
threshold_dbfs = -45
[[stage]]
kind = "compressor"
threshold_dbfs = -22
hold_ms = 20
lookahead_ms = 1.5
[[stage]]
kind = "equaliser"
[[stage.band]]
shape = "bell"
centre_hz = 3000
gain_db = 3
q = 1
[[stage.band]]
shape = "high-shelf"
centre_hz = 9000
gain_db = -2
q = 0.7
[[stage]]
kind = "de-esser"
relative_db = -9
[[stage]]
kind = "polarity"
[[stage]]
kind = "delay"
delay_ms = 0.5
[[stage]]
kind = "limiter"
drive_db = 6
`

func prepare(t testing.TB, text string, rate, channels int) *chain.Engine {
	t.Helper()
	c, err := chain.Parse("test.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	e, err := c.Prepare(rate, channels)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// sound is a Source and, through sink, a Sink in memory.
type sound struct {
	format wave.Format
	planes dsp.Block
	at     int
	piece  int // the most frames a Read gives
}

func newSound(rate int, planes dsp.Block) *sound {
	return &sound{format: wave.Format{Rate: rate, Channels: len(planes), Encoding: wave.Float, Bits: 64}, planes: planes, piece: math.MaxInt}
}

func (s *sound) Format() wave.Format { return s.format }

func (s *sound) Read(b dsp.Block) (int, error) {
	n := min(s.planes.Frames()-s.at, b.Frames(), s.piece)
	if n == 0 {
		return 0, io.EOF
	}
	for c := range b {
		copy(b[c][:n], s.planes[c][s.at:])
	}
	s.at += n
	return n, nil
}

type sink struct {
	planes dsp.Block
	failAt int // frame at which writing fails, if above 0
}

var errFull = errors.New("disk full")

func (s *sink) Write(b dsp.Block) error {
	if s.planes == nil {
		s.planes = make(dsp.Block, len(b))
	}
	for c := range b {
		s.planes[c] = append(s.planes[c], b[c]...)
	}
	if s.failAt > 0 && s.planes.Frames() >= s.failAt {
		return errFull
	}
	return nil
}

// digest is the SHA-256 of the samples' bits.
func digest(b dsp.Block) string {
	h := sha256.New()
	for _, plane := range b {
		for _, x := range plane {
			binary.Write(h, binary.LittleEndian, math.Float64bits(x))
		}
	}
	return hex.EncodeToString(h.Sum(nil))
}

// Any block size and any number of goroutines give the same bits, on every
// architecture: the digest was made on amd64 and is checked on arm64 too.
func TestSameBitsHoweverItRuns(t *testing.T) {
	e := prepare(t, everyStage, 48000, 2)
	// Speech at four times its level, to give each stage its work; read from a
	// file, since package math's sines differ between architectures.
	programme := make(dsp.Block, 2)
	for c, plane := range demoTake(t, 2) {
		programme[c] = plane[60_000:90_000]
		for n := range programme[c] {
			programme[c][n] *= 4
		}
	}
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(5)) // workers are capped at it
	var want string
	var planes dsp.Block
	for _, workers := range []int{1, 2, 5} {
		for _, size := range []int{30_000, 1, 7, 64, 1024} {
			if size == 1 && workers == 5 {
				continue // slow, and adds nothing
			}
			src, dst := newSound(48000, programme), &sink{}
			src.piece = 1000 // a source may give less than it is asked for
			if _, err := e.Run(context.Background(), src, dst, chain.Options{Workers: workers, BlockFrames: size}); err != nil {
				t.Fatal(err)
			}
			got := digest(dst.planes)
			if want == "" {
				want, planes = got, dst.planes
			}
			if got != want {
				t.Errorf("%d workers, blocks of %d: digest %s, want %s", workers, size, got, want)
			}
		}
	}
	if want != everyStageDigest {
		t.Errorf("digest %s, recorded %s: the sound of the stages has changed; %s", want, everyStageDigest, againstExcerpt(t, planes))
	} else if *update {
		againstExcerpt(t, planes)
	}
}

// The excerpt beside the digest is what the stages put out, as 64-bit floats in
// little-endian order, channel after channel. It says by how much a sound has changed
// whose digest has.
const (
	excerptPath   = "testdata/every-stage.f64le"
	excerptFrom   = 12_000
	excerptFrames = 2048
)

// againstExcerpt describes how a sound differs from the excerpt that is kept; with
// -update it keeps the sound's own.
func againstExcerpt(t *testing.T, planes dsp.Block) string {
	t.Helper()
	if *update {
		var b []byte
		for _, plane := range planes {
			for _, x := range plane[excerptFrom : excerptFrom+excerptFrames] {
				b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
			}
		}
		if err := os.WriteFile(excerptPath, b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	b, err := os.ReadFile(excerptPath)
	if err != nil {
		t.Fatal(err)
	}
	if len(b) != 8*excerptFrames*len(planes) {
		return fmt.Sprintf("%s has %d bytes, want %d", excerptPath, len(b), 8*excerptFrames*len(planes))
	}
	first, signal, residual := -1, 0.0, 0.0
	for c, plane := range planes {
		for n, x := range plane[excerptFrom : excerptFrom+excerptFrames] {
			kept := math.Float64frombits(binary.LittleEndian.Uint64(b[8*(c*excerptFrames+n):]))
			signal += kept * kept
			residual += (x - kept) * (x - kept)
			if math.Float64bits(x) != math.Float64bits(kept) && (first < 0 || n < first) {
				first = n
			}
		}
	}
	if first < 0 {
		return fmt.Sprintf("frames %d to %d, of which an excerpt is kept, are the same", excerptFrom, excerptFrom+excerptFrames-1)
	}
	return fmt.Sprintf("of the excerpt kept, frames %d to %d, the first that differs is %d, and the difference is %.1f dB against the sound",
		excerptFrom, excerptFrom+excerptFrames-1, excerptFrom+first, 10*math.Log10(residual/signal))
}

// everyStageDigest is recorded from this test; a change to a stage's
// arithmetic changes it, and so must be meant.
const everyStageDigest = "8c93a844d2042344a7acbe477a655669f607a036e17600a30904a0653ca22b16"

func TestLatencyIsTrimmedOrKept(t *testing.T) {
	for _, lookahead := range []float64{0.5, 2, 5} {
		verified := lookahead == 2
		text := fmt.Sprintf("schema = 1\n[[stage]]\nkind = \"compressor\"\nthreshold_dbfs = -10\nlookahead_ms = %g\n[[stage]]\nkind = \"limiter\"\nlookahead_ms = %g\nverify = %v\n", lookahead, lookahead, verified)
		for _, rate := range []int{44100, 48000, 96000} {
			e := prepare(t, text, rate, 1)
			in := dsp.NewBlock(1, 3000)
			in[0][1000] = 0.1
			want := dsp.Frames(lookahead, rate) + int(math.Floor(lookahead*float64(rate)/1000))
			if verified {
				want += 511
			}
			if e.Latency() != want {
				t.Errorf("%g ms at %d Hz: latency %d frames, want %d", lookahead, rate, e.Latency(), want)
			}
			for _, keep := range []bool{false, true} {
				dst := &sink{}
				result, err := e.Run(context.Background(), newSound(rate, in), dst, chain.Options{KeepDelay: keep})
				if err != nil {
					t.Fatal(err)
				}
				frames, at := 3000, 1000
				if keep {
					frames, at = 3000+want, 1000+want
				}
				if dst.planes.Frames() != frames || result.Frames != int64(frames) {
					t.Errorf("keep delay %v: %d frames, reported %d, want %d", keep, dst.planes.Frames(), result.Frames, frames)
				}
				for n, x := range dst.planes[0] {
					if (n == at && x != 0.1) || (n != at && x != 0) {
						t.Fatalf("%g ms at %d Hz, keep delay %v: %g at frame %d; want 0.1 at %d alone", lookahead, rate, keep, x, n, at)
					}
				}
			}
		}
	}
}

func TestOutputHasTheInputsLength(t *testing.T) {
	e := prepare(t, everyStage, 48000, 1)
	for _, frames := range []int{0, 1, 2, 100, 383, 384, 2048, 2049, 5000} {
		out, err := e.ProcessPlanes(context.Background(), dsptest.Programme(48000, 1, frames, 3))
		if err != nil || len(out[0]) != frames {
			t.Errorf("%d frames in: %d out, %v", frames, len(out[0]), err)
		}
	}
}

func TestEmptyChainIsTransparent(t *testing.T) {
	e := prepare(t, "schema = 1\n", 48000, 3)
	programme := dsptest.Programme(48000, 3, 5000, 8)
	out, err := e.ProcessPlanes(context.Background(), programme)
	if err != nil {
		t.Fatal(err)
	}
	dsptest.Same(t, "empty chain", out, programme)
}

func TestNonFiniteInput(t *testing.T) {
	e := prepare(t, "schema = 1\n[[stage]]\nkind = \"gain\"\ngain_db = 0\n", 8000, 2)
	programme := func() dsp.Block {
		b := dsp.NewBlock(2, 10_000)
		b[1][4321], b[0][4400], b[1][9999] = math.NaN(), math.Inf(1), math.Inf(-1)
		return b
	}
	_, err := e.Process(context.Background(), newSound(8000, programme()), &sink{})
	var nonFinite *chain.NonFiniteError
	if !errors.As(err, &nonFinite) || nonFinite.FirstFrame != 4321 || nonFinite.Count != 3 {
		t.Errorf("got %v; want 3 samples, the first at frame 4321", err)
	}
	dst := &sink{}
	result, err := e.Run(context.Background(), newSound(8000, programme()), dst, chain.Options{RepairNonFinite: true})
	if err != nil || result.NonFinite != 3 || result.FirstNonFinite != 4321 {
		t.Errorf("repaired: %+v, %v", result, err)
	}
	dsptest.Same(t, "repaired", dst.planes, dsp.NewBlock(2, 10_000))
}

func TestErrorsStopARun(t *testing.T) {
	e := prepare(t, "schema = 1\n[[stage]]\nkind = \"gain\"\ngain_db = 1\n", 48000, 1)
	for _, workers := range []int{1, 3} {
		dst := &sink{failAt: 10_000}
		_, err := e.Run(context.Background(), newSound(48000, dsp.NewBlock(1, 100_000)), dst, chain.Options{Workers: workers, BlockFrames: 1000})
		if !errors.Is(err, errFull) {
			t.Errorf("%d workers: a failing sink gives %v", workers, err)
		}
		if dst.planes.Frames() > 15_000 {
			t.Errorf("%d workers: the sink was given %d frames after it failed", workers, dst.planes.Frames())
		}
		ctx, cancel := context.WithCancel(context.Background())
		_, err = e.Run(ctx, newSound(48000, dsp.NewBlock(1, 1_000_000)), &sink{}, chain.Options{
			Workers: workers, BlockFrames: 1000, Progress: func(int64) { cancel() },
		})
		if !errors.Is(err, context.Canceled) || !strings.HasPrefix(err.Error(), "interrupted after ") || strings.Contains(err.Error(), "context") {
			t.Errorf("%d workers: cancelling gives %v", workers, err)
		}
	}
	_, err := e.Process(context.Background(), newSound(44100, dsp.NewBlock(1, 10)), &sink{})
	var mismatch *chain.FormatMismatchError
	if !errors.As(err, &mismatch) {
		t.Errorf("a sound of another rate gives %v", err)
	}
}

// A run allocates for its blocks, once, and not by the length of the sound.
func TestAllocationsDoNotGrowWithLength(t *testing.T) {
	e := prepare(t, everyStage, 48000, 2)
	allocations := func(frames int) float64 {
		programme := dsp.NewBlock(2, frames)
		return testing.AllocsPerRun(1, func() {
			e.Process(context.Background(), newSound(48000, programme), discard{})
		})
	}
	short, long := allocations(10_000), allocations(400_000)
	if long > short+5 { // the runtime's own, now and then
		t.Errorf("%g allocations for 10000 frames, %g for 400000", short, long)
	}
}

type discard struct{}

func (discard) Write(dsp.Block) error { return nil }

func TestTraceShowsTheGainAtItsFrame(t *testing.T) {
	// The compressor's delay of 10 ms stands before the limiter: both must
	// show the step at the input's frame 4800.
	e := prepare(t, `schema = 1
[[stage]]
kind = "compressor"
name = "slow, one"
threshold_dbfs = -20
ratio = 2
knee_db = 0
attack_ms = 0
lookahead_ms = 10
[[stage]]
kind = "limiter"
ceiling_dbtp = -12
`, 48000, 1)
	in := dsp.NewBlock(1, 9600)
	for n := 4800; n < 9600; n++ {
		in[0][n] = 0.999 * math.Sin(2*math.Pi*1000*float64(n)/48000)
	}
	var text strings.Builder
	dst := &sink{}
	if _, err := e.Run(context.Background(), newSound(48000, in), dst, chain.Options{Trace: chain.NewTrace(&text), Workers: 2}); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(text.String()), "\n")
	if want := `frame,time_s,"slow, one ch1 gain_db",limiter`; !strings.HasPrefix(lines[0], want) {
		t.Errorf("header %s, want %s…", lines[0], want)
	}
	if len(lines) != 1+200 {
		t.Fatalf("%d rows, want 200 of 1 ms", len(lines)-1)
	}
	row := func(n int) (frame int, second, compressor, limiter float64) {
		if _, err := fmt.Sscanf(lines[1+n], "%d,%f,%f,%f", &frame, &second, &compressor, &limiter); err != nil {
			t.Fatal(err)
		}
		return
	}
	if frame, second, c, l := row(80); frame != 3840 || second != 0.08 || c != 0 || l != 0 {
		t.Errorf("row 80: %s; want no reduction", lines[81])
	}
	// With 2:1 from −20 dBFS a full-scale tone is lowered by 10 dB; the
	// limiter takes the other 2 dB.
	if _, _, c, l := row(150); math.Abs(c+10) > 0.02 || math.Abs(l+2) > 0.05 {
		t.Errorf("row 150: %s; want −10 and −2 dB", lines[151])
	}
}

func TestProcessBuffer(t *testing.T) {
	e := prepare(t, "schema = 1\n[[stage]]\nkind = \"polarity\"\nchannels = [2]\n", 8000, 2)
	in := &audio.FloatBuffer{Format: &audio.Format{NumChannels: 2, SampleRate: 8000}, Data: []float64{0.1, 0.2, 0.3, 0.4}}
	out, err := e.ProcessBuffer(context.Background(), in)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{0.1, -0.2, 0.3, -0.4} {
		if out.Data[i] != want {
			t.Errorf("sample %d: %g, want %g", i, out.Data[i], want)
		}
	}
	for name, bad := range map[string]*audio.FloatBuffer{
		"nil": nil, "no format": {}, "other rate": {Format: &audio.Format{NumChannels: 2, SampleRate: 44100}},
		"other channels": {Format: &audio.Format{NumChannels: 1, SampleRate: 8000}, Data: []float64{1}},
	} {
		if _, err := e.ProcessBuffer(context.Background(), bad); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
