// Package wave is sound at rest: a streaming WAV reader and writer.
package wave
