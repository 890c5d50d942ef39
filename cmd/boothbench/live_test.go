package main

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// A live run gives every frame at the latest when the chain's latency and one block
// more have gone in, drops none, and gives the bytes of a run over the file.
func TestLiveDelay(t *testing.T) {
	const latency = 240 + 511 // of a look-ahead of 5 ms at 48 kHz and the verification
	program, err := exec.LookPath("boothbench")
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	chain := filepath.Join(folder, "chain.toml")
	text := "schema = 1\n[[stage]]\nkind = \"gain\"\ngain_db = 12\n[[stage]]\nkind = \"limiter\"\nceiling_dbtp = -1\nlookahead_ms = 5\n"
	if err := os.WriteFile(chain, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	var raw bytes.Buffer
	format := wave.Format{Rate: 48000, Channels: 2, Encoding: wave.Integer, Bits: 24}
	const frames, frameBytes = 20000, 6
	w, err := wave.NewStreamWriter(&raw, format, wave.Options{Raw: true})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(dsptest.Speechlike(48000, 2, frames, 1)); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	in := raw.Bytes()
	whole := exec.Command(program, "process", "-", "--raw", "48000,2,s24le", "--chain", chain, "--out", "-", "--quiet")
	whole.Stdin = bytes.NewReader(in)
	want, err := whole.Output()
	if err != nil || len(want) != len(in) {
		t.Fatalf("at once: %d bytes of %d, %v", len(want), len(in), err)
	}
	for _, block := range []string{"64", "256", "1000"} {
		cmd := exec.Command(program, "process", "-", "--raw", "48000,2,s24le", "--chain", chain, "--out", "-", "--live", "--block-frames", block, "--quiet")
		stdin, err := cmd.StdinPipe()
		if err != nil {
			t.Fatal(err)
		}
		stdout, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		var said bytes.Buffer
		cmd.Stderr = &said
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// If a frame is held back, reading waits for it until this ends the program.
		late := time.AfterFunc(time.Minute, func() { cmd.Process.Kill() })
		blockFrames := map[string]int{"64": 64, "256": 256, "1000": 1000}[block]
		var got []byte
		for fed := 0; fed < frames; {
			step := min(frames-fed, 1+(fed*7)%997) // no multiple of the block
			if _, err := stdin.Write(in[fed*frameBytes : (fed+step)*frameBytes]); err != nil {
				t.Fatal(err)
			}
			fed += step
			if due := (fed-latency-blockFrames+1)*frameBytes - len(got); due > 0 {
				more := make([]byte, due)
				if n, err := io.ReadFull(stdout, more); err != nil {
					t.Fatalf("blocks of %s: with %d frames in, only %d are out, and %d are due: %v", block, fed, (len(got)+n)/frameBytes, (len(got)+due)/frameBytes, err)
				}
				got = append(got, more...)
			}
		}
		stdin.Close()
		rest, err := io.ReadAll(stdout)
		if err != nil {
			t.Fatal(err)
		}
		late.Stop()
		if err := cmd.Wait(); err != nil || !bytes.Equal(append(got, rest...), want) {
			t.Errorf("blocks of %s: %v; %d bytes, want the %d of a run at once", block, err, len(got)+len(rest), len(want))
		}
		if !bytes.Contains(said.Bytes(), []byte("751 for the chain's latency and "+block+" for a block")) {
			t.Errorf("blocks of %s: it says %q", block, &said)
		}
	}
}
