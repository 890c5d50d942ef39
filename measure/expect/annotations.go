package expect

import (
	"io"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/measure"
)

// WriteAnnotations writes one line for each judgement that did not pass, for programs
// that mark a change under review: verdict, subject, reading, value, unit, time code,
// frame (from 0), channel (from 1) and the sentence, separated by tabs. A field without a
// value is empty. A tab or a line end within a field becomes a space.
func WriteAnnotations(w io.Writer, results []measure.Judgement) error {
	var b strings.Builder
	plain := strings.NewReplacer("\t", " ", "\n", " ", "\r", " ")
	for _, j := range atLeastOne(results) {
		if j.Verdict == measure.Pass {
			continue
		}
		var value, at, frame, channel string
		if j.Got.Measurable() {
			value = strconv.FormatFloat(measure.JSONValue(j.Got.Value), 'f', -1, 64)
			if j.Got.Frame >= 0 && j.Rate > 0 {
				at, frame = measure.TimeCode(j.Got.Frame, j.Rate), strconv.FormatInt(j.Got.Frame, 10)
			}
			if j.Got.Channel >= 0 {
				channel = strconv.Itoa(j.Got.Channel + 1)
			}
		}
		for i, field := range []string{j.Verdict.String(), j.Subject, j.Reading, value, j.Got.UnitText(), at, frame, channel, j.Sentence()} {
			if i > 0 {
				b.WriteByte('\t')
			}
			b.WriteString(plain.Replace(field))
		}
		b.WriteByte('\n')
	}
	_, err := io.WriteString(w, b.String())
	return err
}
