package picture

import "math"

// Picture is one picture. Its panels stand one above the other and share the width.
type Picture struct {
	Name   string // letters, digits and hyphens: what its ids begin with, and its file name
	Title  string // a few words
	Says   string // the sentence that the picture shows, with its figure
	Panels []Panel
}

// Panel is one pair of axes and what is drawn between them, bands first.
type Panel struct {
	X, Y   Axis
	Height int // in pixels, 0: 200
	// Equal draws one unit of X as long as one of Y: the panel, and those on the same x
	// axis next to it, are as wide as that takes, or the height gives way.
	Equal  bool
	Spans  []Span
	Bands  []Band
	Series []Series
	Marks  []Mark
}

// Axis is one axis. An axis whose Max is not above its Min, or that cannot be drawn on
// its scale, is widened until it can.
type Axis struct {
	Name, Unit string
	Scale      Scale
	Min, Max   float64
	Whole      bool // labels are whole numbers, as of things that are counted
}

// Scale is how values become places on an axis.
type Scale int

const (
	Linear Scale = iota
	Log          // equal ratios are equal lengths
	Time         // linear, in seconds, labelled h:mm:ss
)

// Point is one value; a Y that is NaN or infinite interrupts a line.
type Point struct{ X, Y float64 }

// Series is a row of points, in order of X.
type Series struct {
	Name   string // in the legend, "" for none
	Role   Role
	Kind   Kind
	Points []Point
	Lower  []Point // of an Envelope: its lower edge, as many points at the same X
}

// Role is what a series stands for. Each role has a colour and a dash of its own, so
// that no role is recognised by its colour alone.
type Role int

const (
	Measured Role = iota
	Declared
	Second
	Third
	Fourth
)

// Kind is the shape of a series.
type Kind int

const (
	Line     Kind = iota
	Dots          // a dot a point
	Samples       // a dot a point with a stem to 0
	Stems         // a thin line from the lower end of the axis, a point
	Bars          // a bar from 0, or from the end of the axis that is nearest to 0
	Envelope      // the area between Points and Lower
)

// Band is an area that a series is expected to stay in.
type Band struct {
	Name         string
	Upper, Lower []Point // as many points, at the same X
}

// Span is a stretch of the X axis, such as a pause.
type Span struct {
	Name     string
	From, To float64
}

// Mark is a line across the panel with its name beside it.
type Mark struct {
	Name     string
	At       float64
	Vertical bool // At is on the X axis
}

// usable is the axis as it can be drawn.
func (a Axis) usable() Axis {
	const most = 1e12 // beyond this a coordinate could overflow
	clamp := func(v float64) float64 {
		if math.IsNaN(v) {
			return 0
		}
		return max(-most, min(most, v))
	}
	a.Min, a.Max = clamp(a.Min), clamp(a.Max)
	if a.Scale == Log {
		if a.Max < 1e-9 {
			a.Max = 1
		}
		if a.Min < 1e-12 || a.Max < a.Min*1.01 {
			a.Min = a.Max / 1000
		}
		return a
	}
	if least := 1e-9 * max(1e-3, math.Abs(a.Min), math.Abs(a.Max)); !(a.Max-a.Min > least) {
		half := max(0.5, 1e-6*math.Abs(a.Min))
		a.Min, a.Max = a.Min-half, a.Min+half
	}
	return a
}

// share is where a value lies: 0 at the axis's Min, 1 at its Max.
func (a Axis) share(v float64) float64 {
	if a.Scale == Log {
		if v <= 0 {
			return -1
		}
		return math.Log(v/a.Min) / math.Log(a.Max/a.Min)
	}
	return (v - a.Min) / (a.Max - a.Min)
}

// Around is the least axis with round ends that holds every value and every mark at
// 0 decibels or whatever else is given as include. Values that are NaN or infinite are
// left out.
func Around(name, unit string, include []float64, series ...[]Point) Axis {
	low, high := math.Inf(1), math.Inf(-1)
	take := func(v float64) {
		if v-v == 0 {
			low, high = min(low, v), max(high, v)
		}
	}
	for _, v := range include {
		take(v)
	}
	for _, s := range series {
		for _, p := range s {
			take(p.Y)
		}
	}
	if low > high {
		low, high = 0, 1
	}
	a := Axis{Name: name, Unit: unit, Min: low, Max: high}.usable()
	step := roundStep((a.Max-a.Min)/5, []float64{1, 2, 5, 10})
	a.Min = float64(math.Floor(a.Min/step+1e-9)*step) + 0
	a.Max = float64(math.Ceil(a.Max/step-1e-9)*step) + 0
	return a
}
