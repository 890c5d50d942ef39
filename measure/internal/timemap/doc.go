// Package timemap maps frames of one recording to places between the frames of another,
// whose clock may run faster or slower, and reads sound there by a windowed sinc.
package timemap
