package sensor

import "math"

// tone is the fundamental of one channel, half by half, where somebody asks for
// it: G. Goertzel, American Mathematical Monthly 65, 1958. Its phase is that of
// the grid, so that halves of one current add up and halves of noise do not.
type tone struct {
	on     bool
	mid    float64
	s1, s2 float64 // the recursion
	cs     float64 // its first sample of the next half
	kept   [toneKept]toneHalf
	n      uint64 // halves in a row
}

// toneKept is how many halves are kept.
const toneKept = 16

// toneHalf holds what a half adds: the phasor and the power of the cycle that ends
// with it, both summed over its samples, raw.
type toneHalf struct{ re, im, power, n float64 }

// tune begins with the half that comes, of which the weight have of a sample is
// in, raw.
func (t *tone) tune(mid, raw, have float64) {
	*t = tone{on: true, mid: mid, s1: raw - float64(have*mid)}
}

// take adds samples of full weight.
func (t *tone) take(raw []float32, stride uint, turn float64) {
	s1, s2, mid := t.s1, t.s2, t.mid
	for j := uint(0); j < uint(len(raw)); j += stride {
		s := float64(raw[j]) - mid + float64(turn*s1) - s2
		s1, s2 = s, s1
	}
	t.s1, t.s2 = s1, s2
}

// split adds a sample of which the weight w belongs to this half.
func (t *tone) split(x, w, turn float64) {
	x -= t.mid
	t.s1, t.s2 = float64(x*w)+float64(turn*t.s1)-t.s2, t.s1
	t.cs = float64(x * (1 - w))
}

// closeTone ends the half that has the sums of c.
func (d *Detector) closeTone(c *channel, w float64) {
	t := &c.tone
	if c.bad || c.carryBad {
		t.on = false
		return
	}
	re, im := t.s1-float64(d.toneCos*t.s2), float64(-d.toneSin*t.s2)
	off := 0.5 - w // of the last sample from the end of the half, in samples
	co, si := cosSin(math.Abs(float64(off * d.toneTurn)))
	if off < 0 {
		si = -si
	}
	if d.halves%2 == 1 {
		co, si = -co, -si
	}
	t.kept[t.n%toneKept] = toneHalf{float64(re*co) + float64(im*si), float64(im*co) - float64(re*si), 0, d.n}
	t.n++
	t.s1, t.s2 = t.cs, 0
	if c.amps < c.rest {
		t.mid += (c.mean - t.mid) / toneKept // an offset shows in an odd number of halves
	}
}

// weigh gives the half that has just ended its power.
func (t *tone) weigh(variance float64) {
	if t.on && t.n > 0 {
		k := &t.kept[(t.n-1)%toneKept]
		k.power = float64(variance * k.n)
	}
}

// last adds up the last so many halves, fewer where there are not so many.
func (t *tone) last(halves uint64) (sum toneHalf, n uint64) {
	n = min(halves, t.n)
	for i := range n {
		sum.add(&t.kept[(t.n-1-i)%toneKept])
	}
	return sum, n
}

// toneSlips are the frequencies that atAny looks at: from 0.69 to 1.38 times the one
// in force, a sixteenth apart, which is half of what toneKept halves can tell apart.
const toneSlipFrom, toneSlips = -5, 12

// atAny is the share of the kept halves at whichever frequency it is largest: the mains
// may be another than the one in force.
func (t *tone) atAny() (most float64) {
	sum, n := t.last(toneKept)
	for k := range toneSlips {
		slip := k + toneSlipFrom
		co, si := cosSin(math.Abs(float64(float64(slip) * math.Pi / 16)))
		if slip < 0 {
			si = -si
		}
		s, c1, s1 := toneHalf{power: sum.power, n: sum.n}, 1.0, 0.0
		for i := range n { // back in time
			h := &t.kept[(t.n-1-i)%toneKept]
			s.re += float64(h.re*c1) - float64(h.im*s1)
			s.im += float64(h.re*s1) + float64(h.im*c1)
			c1, s1 = float64(c1*co)-float64(s1*si), float64(c1*si)+float64(s1*co)
		}
		most = max(most, s.share())
	}
	return most
}

func (h *toneHalf) add(k *toneHalf) {
	h.re, h.im, h.power, h.n = h.re+k.re, h.im+k.im, h.power+k.power, h.n+k.n
}

// share is how much of the power is that of one sine of the mains frequency:
// about 2 over the samples for noise, a quarter and more for what draws current
// from the mains, narrow pulses included.
func (h toneHalf) share() float64 {
	if h.power <= 0 {
		return 0
	}
	return float64(2*(float64(h.re*h.re)+float64(h.im*h.im))) / h.n / h.power
}
