package take

// thinning takes every block of a short sound and ever fewer of a long one, so that
// what is averaged over them costs no more for an hour than for minutes.
type thinning struct{ seen, taken, stride int }

// blocksBeforeThinning is how many are taken before every other one is left out.
const blocksBeforeThinning = 128

// takes reports whether to take the next block.
func (s *thinning) takes() bool {
	if s.stride == 0 {
		s.stride = 1
	}
	s.seen++
	if (s.seen-1)%s.stride != 0 {
		return false
	}
	if s.taken++; s.taken%blocksBeforeThinning == 0 {
		s.stride *= 2
	}
	return true
}
