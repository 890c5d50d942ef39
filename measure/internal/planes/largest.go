package planes

// Exceeds reports whether a value exceeds another by more than the rounding of interpolated
// sound, a relative 1e-12. Of equal peaks the first is then the largest on every processor.
func Exceeds(value, other float64) bool { return value > other*(1+1e-12) }

// Largest is the largest of several channels' readings.
type Largest struct {
	Value   float64
	Frame   int64
	Channel int
}

// Offer replaces the largest value by one that exceeds it.
func (l *Largest) Offer(value float64, frame int64, channel int) {
	if Exceeds(value, l.Value) {
		*l = Largest{value, frame, channel}
	}
}
