// Package bench measures one device by one plan: what to play and record under which
// conditions, which recording is of what, and a sheet of every reading. Sheets of several
// devices stand side by side in a comparison.
package bench
