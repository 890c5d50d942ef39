package planes

// Largest is the largest of several channels' readings.
type Largest struct {
	Value   float64
	Frame   int64
	Channel int
}

func (l *Largest) Offer(value float64, frame int64, channel int) {
	if value > l.Value {
		*l = Largest{value, frame, channel}
	}
}
