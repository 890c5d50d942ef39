// Package planes holds operations on planar sound (channels x frames) that several packages of
// measure share: cutting blocks, finding NaN and infinite samples, sums, and the largest value
// with its position.
package planes
