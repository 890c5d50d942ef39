// Package planes holds what several rooms of measure do to planar sound: cutting blocks,
// looking for samples that are no numbers, sums, and the largest value with its place.
package planes
