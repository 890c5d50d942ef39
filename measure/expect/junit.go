package expect

import (
	"encoding/xml"
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"github.com/boothbench/boothbench/measure"
)

// The elements of a JUnit XML report (the schema of the Apache Ant tasks).
type (
	junitSuites struct {
		XMLName xml.Name     `xml:"testsuites"`
		Suites  []junitSuite `xml:"testsuite"`
	}
	junitSuite struct {
		ID         int    `xml:"id,attr"`
		Package    string `xml:"package,attr"`
		Name       string `xml:"name,attr"`
		Timestamp  string `xml:"timestamp,attr"`
		Host       string `xml:"hostname,attr"`
		Tests      int    `xml:"tests,attr"`
		Failures   int    `xml:"failures,attr"`
		Errors     int    `xml:"errors,attr"`
		Time       string `xml:"time,attr"`
		Properties struct {
			All []junitProperty `xml:"property"`
		} `xml:"properties"`
		Cases []junitCase `xml:"testcase"`
		Out   string      `xml:"system-out"`
		Err   string      `xml:"system-err"`
	}
	junitCase struct {
		Name    string        `xml:"name,attr"`
		Class   string        `xml:"classname,attr"`
		Time    string        `xml:"time,attr"`
		Error   *junitMessage `xml:"error"`
		Failure *junitMessage `xml:"failure"`
	}
	junitProperty struct {
		Name  string `xml:"name,attr"`
		Value string `xml:"value,attr"`
	}
	junitMessage struct {
		Message string `xml:"message,attr"`
		Type    string `xml:"type,attr"`
		Text    string `xml:",chardata"`
	}
)

// WriteJUnit writes a run as a JUnit XML report: a suite for each subject, and in it a
// test case for each limit. A test case has the name of its reading, so that it keeps its
// name when the limit changes. All readings are properties of the suite. A reading that
// cannot be measured is an error, one outside its limit a failure. The time of a case is what
// passed from the case before it: an instrument's time stands at its first reading.
func WriteJUnit(w io.Writer, r Run, at time.Time) error {
	var report junitSuites
	checked := r.Checked
	if len(r.Results()) == 1 && len(checked) == 0 { // a run that judged nothing
		checked = []Checked{{Subject: r.Results()[0].Subject, Judgements: r.Results()}}
	}
	for _, c := range checked {
		if results := c.Results(); len(results) > 0 {
			report.Suites = append(report.Suites, suiteOf(c, len(report.Suites), at))
		}
	}
	text, err := xml.MarshalIndent(report, "", "  ")
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "%s%s\n", xml.Header, text)
	return err
}

// suiteOf is the suite of a subject.
func suiteOf(checked Checked, id int, at time.Time) junitSuite {
	s := junitSuite{ID: id, Package: "boothbench", Name: checked.Subject, Host: "localhost", Timestamp: at.UTC().Format("2006-01-02T15:04:05")}
	var all time.Duration
	for i, r := range checked.Results() {
		name := caseName(s.Cases, r.Reading)
		var took time.Duration
		if i < len(checked.took) {
			took = checked.took[i]
		}
		all += took
		c := junitCase{Name: name, Class: r.Subject, Time: seconds(took)}
		s.Properties.All = append(s.Properties.All, junitProperty{name, r.Got.String()})
		s.Tests++
		switch r.Verdict {
		case measure.Fail:
			s.Failures++
			c.Failure = &junitMessage{r.Sentence(), "limit", r.Sentence()}
		case measure.Undecided:
			s.Errors++
			c.Error = &junitMessage{r.Sentence(), "not-measurable", r.Sentence()}
		}
		s.Cases = append(s.Cases, c)
	}
	s.Time = seconds(all)
	return s
}

// seconds is a time as JUnit XML states it, to the millisecond.
func seconds(d time.Duration) string { return strconv.FormatFloat(d.Seconds(), 'f', 3, 64) }

// caseName is the reading's name; if there are several limits of one reading, a number
// follows from the second on.
func caseName(cases []junitCase, reading string) string {
	name := reading
	for n := 2; slices.ContainsFunc(cases, func(c junitCase) bool { return c.Name == name }); n++ {
		name = fmt.Sprintf("%s %d", reading, n)
	}
	return name
}
