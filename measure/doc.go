// Package measure makes numbers from sound.
package measure
