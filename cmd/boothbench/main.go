// Command boothbench processes recorded voice through a chain file and
// measures what the chain did. See the README, or boothbench help.
package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp/wave"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second interrupt ends the program at once
	// If the reader of standard output closes it, writing fails, and the program does
	// not end in the middle of an output. (The signal is caught, not ignored, because
	// commands of --exec would inherit an ignored one.)
	signal.Notify(make(chan os.Signal, 1), syscall.SIGPIPE)
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// env is what a command may use.
type env struct {
	ctx     context.Context
	stdin   io.Reader
	stdout  *results
	stderr  io.Writer
	outputs *outputs
}

// A command parses its own arguments.
type command struct {
	name, summary string
	run           func(env, []string) error
}

func commands() []command {
	return []command{
		{"process", "run takes through a chain file", runProcess},
		{"deliver", "write takes that meet a loudness and a true peak", runDeliver},
		{"season", "run many takes, divided into shares, and gather the results", runSeason},
		{"propose", "derive a chain from takes, with reasons, and what it does to the speech", runPropose},
		{"meter", "measure loudness and true peak", runMeter},
		{"inspect", "find faults of takes: noise, hum, clipping, channels", runInspect},
		{"conversation", "measure the microphones of one conversation against each other", runConversation},
		{"compare", "measure how one file differs from another", runCompare},
		{"report", "write a page with pictures of a take or a proof", runReport},
		{"listen", "write a page for comparing versions by ear", runListen},
		{"check", "check files against limits, for automated tests", runCheck},
		{"overshoot", "measure by how much a limiter exceeds its ceiling", runOvershoot},
		{"prove", "measure whether a chain or device meets its claims", runProve},
		{"gauge", "measure a chain or device with a test signal", runGauge},
		{"bench", "measure devices by a plan, and put them side by side", runBench},
		{"tone", "write test signals that are recognised in a recording", runTone},
		{"specs", "list delivery specifications", runSpecs},
		{"units", "convert levels between units; input noise, impedance, loading", runUnits},
		{"init", "write a commented starter chain", runInit},
		{"explain", "explain a stage, key, unit or reading", runExplain},
	}
}

// run is the program: arguments and streams in, exit code out.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) (code int) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	printed := &results{w: stdout, closed: cancel}
	e := env{ctx, stdin, printed, stderr, &outputs{swept: map[string]bool{}}}
	defer e.outputs.done()
	defer func() {
		if fault := recover(); fault != nil {
			fmt.Fprintf(stderr, "boothbench: internal fault, please report it: %v\n%s", fault, debug.Stack())
			code = exitFault
		}
	}()
	code = e.dispatch(args)
	switch err := printed.failure(); {
	case printed.unread():
		return exitUnread
	case err != nil:
		fmt.Fprintf(stderr, "boothbench: standard output: %v; the results are incomplete\n", bare(err))
		return max(code, exitOutput)
	}
	return code
}

// dispatch finds the command and runs it.
func (e env) dispatch(args []string) int {
	if len(args) == 0 {
		fmt.Fprint(e.stderr, help())
		return exitUsage
	}
	switch args[0] {
	case "version", "--version":
		fmt.Fprintln(e.stdout, version())
		return exitDone
	case "help", "--help", "-h":
		if len(args) > 1 {
			args = []string{args[1], "--help"}
			break
		}
		fmt.Fprint(e.stdout, filled(help(), e.helpColumns()))
		return exitDone
	}
	for _, c := range commands() {
		if c.name != args[0] {
			continue
		}
		err := c.run(e, args[1:])
		if err != nil && !errors.Is(err, pflag.ErrHelp) && !errors.Is(err, errReported) && !e.stdout.unread() {
			fmt.Fprintf(e.stderr, "boothbench %s: %s\n", c.name, wave.ErrorText(err))
		}
		return exitCode(err)
	}
	var names []string
	for _, c := range commands() {
		names = append(names, c.name)
	}
	fmt.Fprintf(e.stderr, "boothbench: no command %q%s; accepted: %s\n", args[0], didYouMean(args[0], names), strings.Join(names, ", "))
	return exitUsage
}

// version is the source version of this program.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "boothbench, unknown version"
	}
	text := "boothbench " + info.Main.Version
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			text += ", revision " + s.Value
		}
	}
	return text + ", " + info.GoVersion
}

func help() string {
	var b strings.Builder
	b.WriteString(`boothbench: an offline engine for the recorded voice chain, whose behaviour is measured, not claimed

Usage: boothbench COMMAND [flags] …

`)
	for _, c := range commands() {
		fmt.Fprintf(&b, "  %-12s  %s\n", c.name, c.summary)
	}
	b.WriteString(`
Examples:
  boothbench init voice.toml
  boothbench process take.wav --chain voice.toml --out take-voice.wav
  boothbench explain dbtp

Help on a command: boothbench COMMAND --help. The version: boothbench version.

Exit codes: 0 done; 1 done, but a limit was not met; 2 the call or a chain file
is wrong, nothing written; 3 an input cannot be read or used; 4 an output cannot
be written; 5 internal fault; 130 interrupted; 141 standard output was closed.

boothbench never plays sound. What it writes may be loud: turn down before you
listen, and keep to your workplace's rules for safe listening levels.
`)
	return b.String()
}

// printJSON prints an object as one line of JSON, with the program's name and
// version.
func (e env) printJSON(object any) {
	var text bytes.Buffer
	line := json.NewEncoder(&text)
	line.SetEscapeHTML(false)
	if err := line.Encode(object); err != nil {
		panic(err) // objects hold only strings and finite numbers
	}
	program, err := json.Marshal(version())
	if err != nil {
		panic(err)
	}
	open := bytes.TrimSuffix(text.Bytes(), []byte("}\n"))
	fmt.Fprintf(e.stdout, "%s,\"program\":%s}\n", open, program)
}

func didYouMean(word string, known []string) string {
	if near := tomlfile.Nearest(word, known); near != "" {
		return fmt.Sprintf(", did you mean %q?", near)
	}
	return ""
}
