package main

import (
	"context"
	"fmt"
	"io"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/measure/expect"
	"github.com/boothbench/boothbench/measure/proof"
)

// standardInput is the name by which an argument asks for standard input or output.
const standardInput = "-"

// loadChain reads a chain file, or standard input.
func (e env) loadChain(path string) (*chain.Chain, error) {
	text, err := e.text(path, "chain file")
	if err != nil {
		return nil, err
	}
	return chain.Parse(nameOf(path), text)
}

// loadLimits reads a limits file, or standard input.
func (e env) loadLimits(path string) (*expect.Limits, error) {
	text, err := e.text(path, "limits file")
	if err != nil {
		return nil, err
	}
	return expect.Parse(nameOf(path), text)
}

// loadClaims reads a claims file, or standard input.
func (e env) loadClaims(path string) (*proof.Claims, error) {
	text, err := e.text(path, "claims file")
	if err != nil {
		return nil, err
	}
	return proof.ParseClaims(nameOf(path), text)
}

// nameOf is a path for messages.
func nameOf(path string) string {
	if path == standardInput {
		return "standard input"
	}
	return path
}

// nameOfOutput is an output's path for messages.
func nameOfOutput(path string) string {
	if path == standardInput {
		return "standard output"
	}
	return path
}

// text reads a file, or standard input.
func (e env) text(path, what string) ([]byte, error) {
	if path != standardInput {
		text, err := tomlfile.Load(path, what)
		return text, inputError(err)
	}
	text, err := io.ReadAll(io.LimitReader(&interruptible{ctx: e.ctx, r: e.stdin}, tomlfile.MaxBytes+1))
	if err != nil {
		return nil, inputError(fmt.Errorf("%s from standard input: %w", what, err))
	}
	return text, nil
}

// interruptible is a reader whose Read returns when its context ends, also while it waits. After
// that, bytes may be lost: it must not be read again.
type interruptible struct {
	ctx context.Context
	r   io.Reader
	own []byte // a Read left behind writes here, and never into the caller's buffer
}

func (h *interruptible) Read(b []byte) (int, error) {
	type outcome struct {
		n   int
		err error
	}
	done := make(chan outcome, 1)
	if len(h.own) < len(b) {
		h.own = make([]byte, len(b))
	}
	own := h.own[:len(b)]
	go func() {
		n, err := h.r.Read(own)
		done <- outcome{n, err}
	}()
	select {
	case o := <-done:
		return copy(b, own[:o.n]), o.err
	case <-h.ctx.Done():
		return 0, h.ctx.Err()
	}
}
