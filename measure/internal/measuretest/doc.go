// Package measuretest holds what tests of instruments want of readings.
package measuretest
