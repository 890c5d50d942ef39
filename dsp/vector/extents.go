package vector

// Extent is the largest |sample| of some frames, and the largest |second difference| that
// ends in them.
type Extent struct{ Peak, Curvature float64 }

// Of returns the extent of both.
func (e Extent) Of(other Extent) Extent {
	if other.Peak > e.Peak {
		e.Peak = other.Peak
	}
	if other.Curvature > e.Curvature {
		e.Curvature = other.Curvature
	}
	return e
}

// Extents raises extents to those of successive blocks of frames. x begins two frames before
// the first block. With NaN or infinite samples the result is undefined.
func Extents(x []float64, block int, extents []Extent) {
	x = x[:2+len(extents)*block]
	if hasAVX && block%4 == 0 && len(extents) > 0 {
		extentsAVX(&x[0], block/4, &extents[0], len(extents))
		return
	}
	extentsOf(x, block, extents)
}

func extentsOf(x []float64, block int, extents []Extent) {
	for k := range extents {
		part := x[k*block : 2+(k+1)*block]
		extents[k] = extents[k].Of(Extent{Peak(part[2:]), Curvature(part)})
	}
}
