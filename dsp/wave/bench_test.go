package wave

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

func BenchmarkRead(b *testing.B)  { benchmarkFormats(b, true) }
func BenchmarkWrite(b *testing.B) { benchmarkFormats(b, false) }

func benchmarkFormats(b *testing.B, reading bool) {
	for _, f := range []Format{{Encoding: Integer, Bits: 16}, {Encoding: Integer, Bits: 24}, {Encoding: Integer, Bits: 32}, {Encoding: Float, Bits: 32}} {
		for _, channels := range []int{1, 2, 6} {
			for _, dither := range []DitherKind{NoDither, TPDF} {
				if dither == TPDF && (reading || f.Encoding == Float) {
					continue
				}
				name := fmt.Sprintf("format=s%d/ch=%d", f.Bits, channels)
				if f.Encoding == Float {
					name = fmt.Sprintf("format=f%d/ch=%d", f.Bits, channels)
				}
				if dither == TPDF {
					name += "/dither=tpdf"
				}
				b.Run(name, func(b *testing.B) {
					f.Rate, f.Channels = 48000, channels
					const frames = 480_000
					path := filepath.Join(b.TempDir(), "a.wav")
					write(b, path, f, Options{}, dsptest.Programme(48000, channels, frames, 1))
					block := dsp.NewBlock(channels, 2048)
					for c := range block {
						copy(block[c], dsptest.Programme(48000, 1, 2048, 2)[0])
					}
					b.SetBytes(int64(frames * f.frameBytes()))
					for b.Loop() {
						if reading {
							r, err := Open(path)
							if err != nil {
								b.Fatal(err)
							}
							for err == nil {
								_, err = r.Read(block)
							}
							r.Close()
							continue
						}
						w, err := Create(path, f, Options{Replace: true, Dither: dither})
						if err != nil {
							b.Fatal(err)
						}
						for n := 0; n < frames; n += 2048 {
							w.Write(block)
						}
						w.Abort()
					}
					b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(frames*channels), "ns/sample")
				})
			}
		}
	}
}

// BenchmarkCopyAgainstC decodes and encodes a 24-bit stereo file as a whole
// process, in turn with the C program testdata/yardstick.c and a copy by
// libsndfile, and reports ratios of the processor times. The goals are 1.05 of
// the C program's or less, and 0.95 of libsndfile's.
func BenchmarkCopyAgainstC(b *testing.B) {
	yardstick := compiled(b, "yardstick")
	folder := b.TempDir()
	in, out := filepath.Join(folder, "in.wav"), filepath.Join(folder, "out.wav")
	const frames = 120 * 48000
	w, err := Create(in, Format{Rate: 48000, Channels: 2, Encoding: Integer, Bits: 24}, Options{})
	if err != nil {
		b.Fatal(err)
	}
	block := dsptest.Programme(48000, 2, 48000, 1)
	for range frames / 48000 {
		w.Write(block)
	}
	if err := w.Commit(); err != nil {
		b.Fatal(err)
	}
	names := []string{"C", "ours"}
	programs := []func() *exec.Cmd{
		func() *exec.Cmd { return exec.Command(yardstick, in, out) },
		func() *exec.Cmd {
			cmd := exec.Command(os.Args[0], "-test.run", "^TestCopyProcess$")
			cmd.Env = append(os.Environ(), "BOOTHBENCH_COPY_IN="+in, "BOOTHBENCH_COPY_OUT="+out, "GOMAXPROCS=1")
			return cmd
		},
	}
	if sndfile, err := compile(b, "sndfile_check", "-lsndfile"); err == nil {
		names = append(names, "libsndfile")
		programs = append(programs, func() *exec.Cmd { return exec.Command(sndfile, "copy", in, out) })
	}
	times := make([]time.Duration, len(programs))
	run := func() {
		for i, program := range programs {
			os.Remove(out)
			cmd := program()
			if out, err := cmd.CombinedOutput(); err != nil {
				b.Fatalf("%v\n%s", err, out)
			}
			times[i] += cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
		}
	}
	run() // to warm up
	clear(times)
	for b.Loop() {
		run()
	}
	for i, name := range names {
		b.ReportMetric(float64(times[i].Nanoseconds())/float64(b.N)/(2*frames), name+"-ns/sample")
		if name != "ours" {
			b.ReportMetric(float64(times[1])/float64(times[i]), "ours/"+name)
		}
	}
	wholeJob(b, yardstick, in, out)
}

// wholeJob checks that the yardstick does the whole job.
func wholeJob(b *testing.B, yardstick, in, out string) {
	if err := exec.Command(yardstick, in, out).Run(); err != nil {
		b.Fatal(err)
	}
	x, _ := os.ReadFile(in)
	y, _ := os.ReadFile(out)
	if string(x) != string(y) {
		b.Error("the yardstick's copy differs")
	}
}

// TestCopyProcess is the Go side of BenchmarkCopyAgainstC, in a process of its
// own.
func TestCopyProcess(t *testing.T) {
	in := os.Getenv("BOOTHBENCH_COPY_IN")
	if in == "" {
		t.Skip("run by BenchmarkCopyAgainstC")
	}
	r, err := Open(in)
	if err != nil {
		t.Fatal(err)
	}
	w, err := Create(os.Getenv("BOOTHBENCH_COPY_OUT"), r.Format(), Options{Replace: true})
	if err != nil {
		t.Fatal(err)
	}
	block := dsp.NewBlock(2, 2048)
	piece := make(dsp.Block, 2)
	for {
		n, err := r.Read(block)
		if err != nil {
			break
		}
		piece[0], piece[1] = block[0][:n], block[1][:n]
		if err := w.Write(piece); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
}
