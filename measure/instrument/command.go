package instrument

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/boothbench/boothbench/dsp/wave"
)

// Command is a device that is a command of the operating system. The stimulus is written to a
// WAV file in a new folder and the command is run. The file that it writes is the response.
// Then the folder is removed.
//
// No shell is involved: the words are passed on unchanged, so that nothing in them is expanded,
// redirected or run. A command that needs a shell calls one:
//
//	sh -c 'first <"$0" | second >"$1"' {in} {out}
type Command struct {
	Words   []string      // the program and its arguments; {in} and {out} in them are replaced by the files' names
	Timeout time.Duration // 0: 10 minutes
	Integer bool          // write 24-bit integers instead of 32-bit floating point; only floating point holds levels over full scale
	// Files are texts that are passed to the command as files. A key in a word, such as
	// {chain}, is replaced by the name of a file with that text.
	Files map[string][]byte
	// Exchanged is called with the formats of the file that the command read and of the one that
	// it wrote; nil: nobody.
	Exchanged func(sent, received wave.Format)
	grace     time.Duration // 0: commandGrace
}

// Names reports whether a placeholder, such as {chain}, is among the command's words.
func (c *Command) Names(placeholder string) bool {
	return slices.ContainsFunc(c.Words, func(w string) bool { return strings.Contains(w, placeholder) })
}

const (
	commandTimeout = 10 * time.Minute
	// commandGrace is how long a command's output may stay open after the command has ended.
	commandGrace = 2 * time.Second
	// keptOutput is how many bytes are kept of a command's output, from its end.
	keptOutput = 2048
)

// ParseCommand makes a Command of a line. Blanks separate words, except within '…' or "…". A
// backslash makes the next character literal, except within single quotes.
func ParseCommand(line string) (*Command, error) {
	words, err := splitWords(line)
	if err != nil {
		return nil, fmt.Errorf("command %q: %w", line, err)
	}
	c := &Command{Words: words}
	if err := c.check(); err != nil {
		return nil, err
	}
	return c, nil
}

func (c *Command) check() error {
	if len(c.Words) == 0 {
		return errors.New("command: found no words; accepted: a program and its arguments, {in} and {out} among them")
	}
	for _, placeholder := range []string{"{in}", "{out}"} {
		if !strings.Contains(strings.Join(c.Words[1:], "\x00"), placeholder) {
			return fmt.Errorf("command %q: no %s among the arguments; it stands for the file that the command is to %s",
				strings.Join(c.Words, " "), placeholder, map[string]string{"{in}": "read", "{out}": "write"}[placeholder])
		}
	}
	return nil
}

// Respond runs the command. A response whose rate or channels differ from the stimulus's is an
// error.
func (c *Command) Respond(ctx context.Context, stimulus wave.Source, response wave.Sink) error {
	if err := c.check(); err != nil {
		return err
	}
	folder, err := wave.CreateFolder()
	if err != nil {
		return err
	}
	defer folder.Remove()
	in, out := filepath.Join(folder.Path(), "in.wav"), filepath.Join(folder.Path(), "out.wav")
	if err := c.writeStimulus(ctx, in, stimulus); err != nil {
		return err
	}
	if err := c.run(ctx, in, out); err != nil {
		return err
	}
	r, err := wave.Open(out)
	if errors.Is(err, fs.ErrNotExist) {
		return c.failed("it ended without an error and did not write {out}", nil)
	}
	if err != nil {
		return c.failed("what it wrote cannot be read: "+strings.ReplaceAll(err.Error(), out, "{out}"), nil)
	}
	defer r.Close()
	if err := sameFormat("{out}", r.Format(), stimulus.Format()); err != nil {
		return c.failed(err.Error(), nil)
	}
	if c.Exchanged != nil {
		c.Exchanged(c.sentFormat(stimulus.Format()), r.Format())
	}
	if r.Frames() == 0 {
		return c.failed("it wrote no sound: 0 frames", nil)
	}
	return pass(ctx, r, response)
}

func (c *Command) writeStimulus(ctx context.Context, path string, stimulus wave.Source) error {
	f := c.sentFormat(stimulus.Format())
	w, err := wave.Create(path, f, wave.Options{})
	if err != nil {
		return err
	}
	defer w.Abort() // does nothing after Commit
	if err := pass(ctx, stimulus, w); err != nil {
		return err
	}
	if err := w.Commit(); err != nil {
		return err
	}
	if overs := w.Overs(); overs.Count > 0 {
		return c.failed(fmt.Sprintf("the stimulus is over full scale from frame %d on, which %d-bit samples cannot hold", overs.FirstFrame, f.Bits), nil)
	}
	return nil
}

// sentFormat is the format in which a stimulus is written.
func (c *Command) sentFormat(f wave.Format) wave.Format {
	f.Encoding, f.Bits, f.ContainerBits = wave.Float, 32, 0
	if c.Integer {
		f.Encoding, f.Bits = wave.Integer, 24
	}
	return f
}

func (c *Command) run(ctx context.Context, in, out string) error {
	timeout := c.Timeout
	if timeout <= 0 {
		timeout = commandTimeout
	}
	grace := c.grace
	if grace <= 0 {
		grace = commandGrace
	}
	timed, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	stands := []string{"{in}", in, "{out}", out}
	for placeholder, text := range c.Files {
		path := filepath.Join(filepath.Dir(in), strings.Trim(placeholder, "{}")+".toml")
		if err := os.WriteFile(path, text, 0o600); err != nil {
			return err
		}
		stands = append(stands, placeholder, path)
	}
	words := make([]string, len(c.Words))
	for i, word := range c.Words {
		words[i] = strings.NewReplacer(stands...).Replace(word)
	}
	printed := &tail{}
	cmd := exec.CommandContext(timed, words[0], words[1:]...)
	cmd.Stdout, cmd.Stderr = printed, printed
	cmd.WaitDelay = grace
	endWithChildren(cmd)
	err := runAsChild(cmd)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, exec.ErrWaitDelay):
		return c.failed(fmt.Sprintf("it ended, but a program that it had started kept its output open for %v more; let the command wait for what it starts", grace), printed)
	case ctx.Err() != nil:
		return ctx.Err()
	case timed.Err() != nil:
		return c.failed(fmt.Sprintf("ended after %v, the time it was given", timeout), printed)
	}
	if errors.Is(err, exec.ErrNotFound) || errors.Is(err, fs.ErrNotExist) {
		return c.failed(fmt.Sprintf("no program %s was found; accepted: one in PATH, or one named with its folder", cmd.Args[0]), nil)
	}
	if len(bytes.TrimSpace(printed.kept)) == 0 {
		return c.failed(err.Error()+", and it printed nothing; run it by hand on a WAV file to see why", nil)
	}
	return c.failed(err.Error(), printed)
}

// failed is an error that includes the end of the command's output.
func (c *Command) failed(what string, printed *tail) error {
	said := ""
	if printed != nil {
		if text := strings.TrimSpace(string(printed.kept)); text != "" {
			said = "; it printed: " + text
		}
	}
	return fmt.Errorf("command %q: %s%s", strings.Join(c.Words, " "), what, said)
}

// tail keeps the end of what is written to it.
type tail struct{ kept []byte }

func (t *tail) Write(b []byte) (int, error) {
	t.kept = append(t.kept, b...)
	if len(t.kept) > keptOutput {
		t.kept = append(t.kept[:0], t.kept[len(t.kept)-keptOutput:]...)
	}
	return len(b), nil
}
