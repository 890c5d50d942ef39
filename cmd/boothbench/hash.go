package main

import (
	"crypto/sha256"
	"encoding/hex"
	"io"
	"os"
)

// hashOf is the SHA-256 of bytes, in hexadecimal.
func hashOf(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// hashOfFile is the SHA-256 of a file's bytes, or "" where it cannot be read.
func hashOfFile(path string) string {
	f, err := os.Open(path)
	if err != nil {
		return ""
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return ""
	}
	return hex.EncodeToString(h.Sum(nil))
}
