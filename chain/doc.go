// Package chain turns a chain file into processors and runs sound through them.
package chain
