// Package bench measures one device by a plan: what to play and record under which conditions.
// It recognises the recordings and writes a sheet of all readings. It also compares the sheets
// of several devices.
package bench
