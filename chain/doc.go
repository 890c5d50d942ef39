// Package chain turns a chain file into processors and runs sound through them.
//
// A chain file is TOML text: one [[stage]] after the other, in the order in
// which the sound passes. REFERENCE.md lists every kind of stage and every key,
// with unit, range, default and source; it is generated from the tables in
// kinds.go and kinds_dynamics.go, which also drive parsing, checking, [Explain]
// and [Starter].
//
// [Load] and [Parse] accept a file whole or report everything that is wrong
// with it at once, each fault with its place, in a [tomlfile.FileError]. [Chain.Check]
// adds what depends on a sound's format, [Chain.Warnings] what is allowed
// and yet probably not meant. [Chain.Prepare] builds an [Engine], which runs
// files, streams and buffers.
package chain
