package trace

import (
	"math/bits"

	"github.com/mewkiz/flac/frame"
)

// planner chooses how a channel of a FLAC block is coded: the fixed predictor
// whose differences are smallest, and for each stretch of them the Rice
// parameter that takes the fewest bits (RFC 9639, 9.2). The encoder's own
// choice is not used: it counts bits in an int, which overflows on 32-bit
// processors and then picks the worst, and it knows only one stretch.
type planner struct {
	diff  []int32  // scratch
	codes []uint32 // differences folded to be positive
}

// The limits of the search.
const (
	maxPredictor = 4  // highest order of the fixed predictors
	minStretch   = 32 // samples to a Rice parameter
	maxRice4     = 14 // largest parameter that fits into 4 bits
	maxRice5     = 30 // and into 5 bits
)

// plan fills in the header of a channel's samples of the given width.
func (p *planner) plan(s *frame.Subframe, width int) {
	n := len(s.Samples)
	s.NSamples = n
	s.SubHeader = frame.SubHeader{Pred: frame.PredVerbatim}
	order, constant := p.predict(s.Samples)
	if constant {
		s.Pred = frame.PredConstant
		return
	}
	if n <= maxPredictor {
		return
	}
	best := uint64(n) * uint64(width) // bits of the samples as they are
	for split := 0; n%(1<<split) == 0 && (split == 0 || n>>split >= minStretch); split++ {
		params := make([]frame.RicePartition, 1<<split)
		cost := uint64(order * width)
		wide := false
		for i := range params {
			from, to := i*(n>>split), (i+1)*(n>>split)
			k, c := rice(p.codes[max(from-order, 0) : to-order])
			params[i].Param = k
			cost += c + 5
			wide = wide || k > maxRice4
		}
		if cost >= best {
			continue
		}
		best = cost
		s.Pred, s.Order = frame.PredFixed, order
		s.RiceSubframe = &frame.RiceSubframe{PartOrder: split, Partitions: params}
		s.ResidualCodingMethod = frame.ResidualCodingMethodRice1
		if wide {
			s.ResidualCodingMethod = frame.ResidualCodingMethodRice2
		}
	}
}

// predict finds the order of the smallest differences and leaves their codes in
// p.codes. It reports whether all samples are the same.
func (p *planner) predict(samples []int32) (order int, constant bool) {
	p.diff = append(p.diff[:0], samples...)
	least := ^uint64(0)
	for o := 0; o <= maxPredictor && o < len(samples); o++ {
		if o > 0 {
			for i := len(samples) - 1; i >= o; i-- {
				p.diff[i] -= p.diff[i-1]
			}
		}
		sum := uint64(0)
		for _, d := range p.diff[o:] {
			sum += uint64(max(d, -d))
		}
		constant = constant || o == 1 && sum == 0
		if sum < least {
			least, order = sum, o
			p.codes = p.codes[:0]
			for _, d := range p.diff[o:] {
				p.codes = append(p.codes, uint32(d)<<1^uint32(d>>31)) // 0, -1, 1, -2 ... to 0, 1, 2, 3 ...
			}
		}
	}
	return order, constant || len(samples) == 1
}

// rice finds the parameter that takes the fewest bits, and those bits: a code is
// its quotient by 2^k in unary and k bits of the rest.
func rice(codes []uint32) (best uint, cost uint64) {
	sum := uint64(0)
	for _, c := range codes {
		sum += uint64(c)
	}
	near := 0 // the parameter is near the logarithm of the mean
	if n := uint64(len(codes)); n > 0 {
		near = bits.Len64(sum / n)
	}
	cost = ^uint64(0)
	for k := uint(max(near-2, 0)); k <= uint(min(near+1, maxRice5)); k++ {
		c := uint64(len(codes)) * uint64(k+1)
		for _, v := range codes {
			c += uint64(v >> k)
		}
		if c < cost {
			best, cost = k, c
		}
	}
	return best, cost
}
