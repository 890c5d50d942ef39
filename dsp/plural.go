package dsp

import "fmt"

// Plural is a count with its noun, for messages: "1 channel", "2 channels".
func Plural[N int | int64](n N, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
