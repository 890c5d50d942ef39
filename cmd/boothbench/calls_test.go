package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"github.com/boothbench/boothbench/dsp/dsptest"
)

// A process of its own for each line of the scripts is half of what they cost, so
// that the lines of all scripts share a few. Where the long tests run, each line has its own.
type (
	call struct {
		Dir               string
		Environment, Args []string
		Stdin             []byte
	}
	answer struct {
		Code           int
		Stdout, Stderr []byte
	}
)

// answerCalls is the main function of a process that the scripts' lines share.
func answerCalls() {
	home, err := os.Getwd()
	if err != nil {
		panic(err)
	}
	debug.SetMemoryLimit(256 << 20) // as in dsptest.Main
	debug.SetGCPercent(-1)
	calls, answers := json.NewDecoder(os.Stdin), json.NewEncoder(os.Stdout)
	for {
		var c call
		if calls.Decode(&c) != nil {
			return
		}
		if err := os.Chdir(c.Dir); err != nil {
			panic(err)
		}
		os.Clearenv()
		for _, variable := range c.Environment {
			key, value, _ := strings.Cut(variable, "=")
			os.Setenv(key, value)
		}
		var stdout, stderr bytes.Buffer
		code := run(context.Background(), c.Args, bytes.NewReader(c.Stdin), &stdout, &stderr)
		if err := os.Chdir(home); err != nil { // so that the script's folder can be removed
			panic(err)
		}
		if answers.Encode(answer{code, stdout.Bytes(), stderr.Bytes()}) != nil {
			return
		}
	}
}

// shared are the processes that wait for a line. Of these there are as many as scripts run
// at the same time, because a process changes its folder and environment for each line.
type shared struct{ idle chan *answering }

// answering is one process, and the two ends of it.
type answering struct {
	cmd     *exec.Cmd
	in      io.Closer
	calls   *json.Encoder
	answers *json.Decoder
}

type sharedKey struct{}

// share makes the processes that answer until the test ends.
func share(t *testing.T) *shared {
	s := &shared{make(chan *answering, 64)}
	t.Cleanup(func() { // after all scripts
		for len(s.idle) > 0 {
			a := <-s.idle
			a.in.Close()
			if err := a.cmd.Wait(); err != nil {
				t.Error(err)
			}
		}
	})
	return s
}

// answer has a call answered by an idle process, or by a new one.
func (s *shared) answer(c call) (a answer, err error) {
	var p *answering
	select {
	case p = <-s.idle:
	default:
		if p, err = start(); err != nil {
			return a, err
		}
	}
	if err := p.calls.Encode(c); err != nil {
		return a, err
	}
	if err := p.answers.Decode(&a); err != nil {
		return a, err
	}
	s.idle <- p
	return a, nil
}

// start starts a process that answers calls.
func start() (*answering, error) {
	program, err := exec.LookPath("boothbench-calls")
	if err != nil {
		return nil, err
	}
	cmd := exec.Command(program)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	return &answering{cmd, in, json.NewEncoder(in), json.NewDecoder(out)}, cmd.Start()
}

// exits CODE ARG… [<FILE] runs boothbench with the arguments, and with a file on its
// standard input, and wants the exit code.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 {
		ts.Fatalf("usage: exits CODE ARG … [<FILE]")
	}
	c := call{Dir: ts.MkAbs("."), Environment: environment(ts), Args: args[1:]}
	if last := len(c.Args) - 1; last >= 0 && strings.HasPrefix(c.Args[last], "<") {
		c.Stdin, c.Args = []byte(ts.ReadFile(c.Args[last][1:])), c.Args[:last]
	}
	var a answer
	if dsptest.IsExhaustive() {
		a = alone(ts, c)
	} else {
		var err error
		a, err = ts.Value(sharedKey{}).(*shared).answer(c)
		ts.Check(err)
	}
	ts.Stdout().Write(a.Stdout)
	ts.Stderr().Write(a.Stderr)
	if key := keyTwice(a.Stdout); key != "" {
		ts.Fatalf("the key %s stands twice in an object of\n%s", key, a.Stdout)
	}
	if want, err := strconv.Atoi(args[0]); err != nil || a.Code != want {
		ts.Fatalf("exit code %d, want %s\n%s", a.Code, args[0], a.Stderr)
	}
}

// alone runs a call in a process of its own.
func alone(ts *testscript.TestScript, c call) answer {
	program, err := exec.LookPath("boothbench")
	ts.Check(err)
	var stdout, stderr bytes.Buffer
	cmd := exec.Command(program, c.Args...)
	cmd.Dir, cmd.Env = c.Dir, c.Environment
	cmd.Stdin, cmd.Stdout, cmd.Stderr = bytes.NewReader(c.Stdin), &stdout, &stderr
	if err := cmd.Run(); err != nil && !errors.As(err, new(*exec.ExitError)) {
		ts.Fatalf("%v", err)
	}
	return answer{cmd.ProcessState.ExitCode(), stdout.Bytes(), stderr.Bytes()}
}

// environment is what a line of a script sees of the environment.
func environment(ts *testscript.TestScript) []string {
	var variables []string
	for _, key := range []string{"PATH", "HOME", "TMPDIR", "DEMO", "COLUMNS", "TERM", "LANG", "LC_ALL"} {
		if value := ts.Getenv(key); value != "" {
			variables = append(variables, key+"="+value)
		}
	}
	return variables
}

// keyTwice is a key that stands twice in one object of JSON, wherever one is printed: a
// reader of it sees only one of the two.
func keyTwice(text []byte) string {
	for line := range bytes.Lines(text) {
		if !bytes.HasPrefix(line, []byte("{")) || !json.Valid(line) {
			continue
		}
		d := json.NewDecoder(bytes.NewReader(line))
		var open []map[string]bool // the keys of each object that is open; nil: an array
		isKey := true
		for {
			token, err := d.Token()
			if err != nil {
				break
			}
			inObject := len(open) > 0 && open[len(open)-1] != nil
			switch t := token.(type) {
			case json.Delim:
				switch t {
				case '{':
					open, isKey = append(open, map[string]bool{}), true
					continue
				case '[':
					open = append(open, nil)
					continue
				}
				open = open[:len(open)-1]
				isKey = true
				continue
			case string:
				if inObject && isKey {
					if open[len(open)-1][t] {
						return t
					}
					open[len(open)-1][t] = true
					isKey = false
					continue
				}
			}
			isKey = true
		}
	}
	return ""
}

func TestRepeatedJSONKeysAreFound(t *testing.T) {
	for text, want := range map[string]string{
		`{"a":1,"b":{"a":2},"c":["a","a",{"a":1}],"d":"a"}`: "",
		`{"a":{"b":1,"c":[{"d":1}],"b":2}}`:                 "b",
		`{"c":[1,{"d":"d","d":null}]}`:                      "d",
		`{"a":[],"a":{}}`:                                   "a",
		"no JSON {\"a\":1,\"a\":1}":                         "",
	} {
		if got := keyTwice([]byte(text)); got != want {
			t.Errorf("%s: %q, want %q", text, got, want)
		}
	}
}
