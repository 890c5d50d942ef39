package measure

// Severity orders findings.
type Severity int

// The severities.
const (
	Note Severity = iota
	Warning
	Fault
)

func (s Severity) String() string { return [...]string{"note", "warning", "fault"}[s] }

// Finding is a sentence about a take: what was found and what to do.
type Finding struct {
	Severity Severity
	What, Do string
	Frame    int64 // where it begins, −1 for the whole take
	Channel  int   // from 0, −1 for all
}
