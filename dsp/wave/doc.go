// Package wave is sound at rest: a streaming reader of WAV and FLAC, and a
// streaming writer of WAV.
//
// A Reader turns a file or a stream into planar blocks (channels x frames, full
// scale 1.0), a Writer turns blocks into a stream, or into a file that appears
// under its name whole or not at all; several can appear together
// ([CommitTogether]). [RemoveLeftovers] removes what a killed process has
// left of a file. Both work in constant memory at any length, and check the sizes that a file
// states against its own size.
//
// Integers scale by 2^(bits−1) both ways, so that reading and writing at the
// same word length changes nothing. The writer rounds to nearest even, clamps
// and counts what lies over full scale, and never wraps. Dither comes from an
// integer generator with a seed: the same samples and options give the same
// bytes, in blocks of any size and on any machine.
//
// # Files
//
// RIFF/WAVE with WAVE_FORMAT_PCM, WAVE_FORMAT_IEEE_FLOAT and
// WAVE_FORMAT_EXTENSIBLE (Microsoft, "Multiple channel audio data and WAVE
// files"), RF64 and BW64 (EBU Tech 3306, Rec. ITU-R BS.2088); integers of 8 to
// 32 bits at the top of 1 to 4 bytes, floating point of 32 and 64 bits, up to
// 64 channels. The writer turns a file that outgrows 4 GiB into RF64.
//
// FLAC (RFC 9639) of 8 to 24 bits is read; the checksums of its frames and the MD5
// of its sound have to hold. Its metadata is not carried over.
//
// Other chunks (bext, LIST, cue, iXML and so on) are carried over in [Chunk] values, byte
// for byte, before or after the sound as they were, up to 16 MiB. Not carried over are empty
// space, and the peak chunks PEAK and levl, which processing makes wrong.
//
// # Damaged files
//
// Read with a [Warning]: recordings that were cut off (data size 0 or
// 0xFFFFFFFF: to the end of the file), truncated data, a part of a frame at the
// end, a second data or fmt chunk, a missing pad byte, bytes behind the sound
// that are no chunk, a file that grows while it is read. Refused with a
// [*FormatError]: data ahead of the fmt chunk, other codings and containers by
// their names, and formats that contradict themselves.
//
// Non-finite samples are read as they are; see [Overs] for writing.
package wave
