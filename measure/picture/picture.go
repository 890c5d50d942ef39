package picture

import "math"

// Picture is one picture. Its panels are drawn one above the other and have the same
// width.
type Picture struct {
	Name    string // letters, digits and hyphens: its file name, and the start of its ids
	Title   string // a few words
	Caption string // one sentence with the main figure, shown below the panels
	Panels  []Panel
}

// Panel is one pair of axes with bands, series and marks. Bands are drawn first.
type Panel struct {
	X, Y   Axis
	Height int // in pixels, 0: 200
	// Equal draws one unit of X as long as one of Y. It sets the width of the panel and of
	// its neighbours on the same x axis; where that is too wide, the height becomes smaller.
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
	Whole      bool // labels are whole numbers, for counts
}

// Scale maps values to positions on an axis.
type Scale int

const (
	Linear Scale = iota
	Log          // equal ratios are equal lengths
	Time         // linear, in seconds, labelled h:mm:ss
)

// Point is one value; a Y that is NaN or infinite interrupts a line.
type Point struct{ X, Y float64 }

// Series is a sequence of points in order of X.
type Series struct {
	Name   string // in the legend, "" for none
	Role   Role
	Kind   Kind
	Points []Point
	Lower  []Point // lower edge of an Envelope: as many points as Points, at the same X
}

// Role is the meaning of a series; a terminal draws an undefined one as Measured. Each role has its own colour and dash pattern, so that roles can be
// distinguished without colour.
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
	Dots          // a dot at each point
	Samples       // a dot at each point, with a line to 0
	Stems         // a thin line from the lower end of the axis to each point
	Bars          // a bar from 0, or from the end of the axis nearest to 0, to each point
	Envelope      // the area between Points and Lower
)

// Band is an area in which a series is expected to stay.
type Band struct {
	Name         string
	Upper, Lower []Point // equal in number, at the same X
}

// Span is a range of the X axis, such as a pause.
type Span struct {
	Name     string
	From, To float64
}

// Mark is a line across the panel, with its name at the line.
type Mark struct {
	Name     string
	At       float64
	Vertical bool // At is on the X axis
}

// usable is the axis, widened where it could not be drawn.
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

// share is the position of a value: 0 at the axis's Min, 1 at its Max.
func (a Axis) share(v float64) float64 {
	if a.Scale == Log {
		if v <= 0 {
			return -1
		}
		return math.Log(v/a.Min) / math.Log(a.Max/a.Min)
	}
	return (v - a.Min) / (a.Max - a.Min)
}

// Around is the smallest axis with round ends that holds all points and the values in include.
// NaN and infinite values are ignored.
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
