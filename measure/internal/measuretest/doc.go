// Package measuretest holds checks of readings for the tests of instruments.
package measuretest
