// Package wave is sound at rest: a streaming WAV reader and writer.
//
// A Reader turns a file into planar blocks (channels x frames, full scale
// 1.0), a Writer turns blocks into a file that appears under its name whole or
// not at all. Both work in constant memory at any length.
//
// Integers scale by 2^(bits−1) both ways, so that reading and writing at the
// same word length changes nothing. The writer rounds to nearest, clamps and
// counts what lies over full scale, and never wraps.
//
// Formats: RIFF/WAVE with WAVE_FORMAT_PCM, WAVE_FORMAT_IEEE_FLOAT and
// WAVE_FORMAT_EXTENSIBLE (Microsoft, "Multiple channel audio data and WAVE
// files"), RF64 and BW64 (EBU Tech 3306, Rec. ITU-R BS.2088).
package wave
