package sensor

import "math"

const (
	knownLeft  = 0.125 // of the most crosstalk that is possible stays uncertain once it is known
	knownFrom  = 16    // halves of a neighbour's heavy current tell how much of it a channel shows
	knownFirst = 8     // such halves give a first figure, which the others must fit
	knownUp    = 1.5   // times the current with which it was found, since a standby load falsifies it
)

// hearing takes the fundamental of every channel while one is so loud that its
// crosstalk could start another, since amplitudes do not tell crosstalk from a
// current of the channel's own. The fundamental is the least-squares fit of a
// sine of the mains frequency with the same weights as the RMS, so that a sine
// leaves nothing, wherever the cycle begins. It keeps its phase where the
// converter clips it.
type hearing struct {
	on       bool
	halves   int     // since it is
	co, si   float64 // the oscillator at the next sample
	dco, dsi float64 // its turn in a sample
	n        float64 // samples in a half, for which the turn was made
	sum      sums    // this half
	psum     sums    // the half before
	csum     sums    // the next half's share of the split sample
	cycle    cycle   // that ends with this half
}

// cycle is what hearing found in one.
type cycle struct {
	c, s          float64 // sums of the oscillator
	icc, ics, iss float64 // inverse of the sums of its products about its mean
	inv           float64 // 1 / samples
	shown, amps   float64 // fundamental of the loudest channel, and what it is without clipping, A
	others        float64 // sum of the other channels' currents, A
}

// sums are those of the oscillator itself.
type sums struct{ c, s, cc, cs, ss float64 }

func (a *sums) add(b sums) {
	a.c, a.s, a.cc, a.cs, a.ss = a.c+b.c, a.s+b.s, a.cc+b.cc, a.cs+b.cs, a.ss+b.ss
}

// phasor is the sum of a channel's samples times the oscillator.
type phasor struct{ c, s float64 }

// fit is the least-squares fit of what a channel shows of another's current.
type fit struct {
	amps   float64 // sum of the other's current, A
	square float64 // sum of its square
	cross  float64 // sum of it times what shows of it
}

// share is the share of the other's current that shows, negative where it comes
// the other way round.
func (f *fit) share() float64 { return f.cross / f.square }

// most is the other's current up to which that holds, in amperes, or 0.
func (f *fit) most() float64 {
	if f.amps == 0 {
		return 0
	}
	return float64(knownUp * f.square / f.amps)
}

// session is the time in which an idle channel hears one neighbour.
type session struct {
	with   *channel // nil = none
	void   bool     // there was more than the neighbour
	agreed float64  // the most of the neighbour's current at which what was known explained the channel's, A
	halves int
	fit
}

// begin sets the turn of the oscillator for halves of n samples.
func (h *hearing) begin(n float64) {
	if h.on && n != h.n {
		h.n = n
		h.dco, h.dsi = cosSin(math.Pi / n)
	}
}

// start switches on, from the next sample on.
func (h *hearing) start(n float64) {
	*h = hearing{on: true, co: 1}
	h.begin(n)
}

// next turns the oscillator by a sample.
func (h *hearing) next() {
	h.co, h.si = float64(h.co*h.dco)-float64(h.si*h.dsi), float64(h.si*h.dco)+float64(h.co*h.dsi)
}

// weighted are the sums of one sample with the weight w.
func (h *hearing) weighted(w float64) sums {
	c, s := float64(w*h.co), float64(w*h.si)
	return sums{c, s, float64(c * h.co), float64(c * h.si), float64(s * h.si)}
}

// cosSin is the cosine and sine of x, from 0 to 2, the same on every processor:
// the series of an eighth of the angle, doubled three times.
func cosSin(x float64) (c, s float64) {
	x /= 8
	q := float64(x * x)
	c = 1 - float64(q/2*(1-float64(q/12*(1-float64(q/30*(1-q/56))))))
	s = float64(x * (1 - float64(q/6*(1-float64(q/20*(1-float64(q/42*(1-q/72))))))))
	for range 3 {
		c, s = float64(c*c)-float64(s*s), float64(2*float64(c*s))
	}
	return c, s
}

// hear takes k scans at full weight.
func (d *Detector) hear(part []float32) {
	h := &d.hearing
	for ; len(part) >= d.channels; part = part[d.channels:] {
		h.sum.add(h.weighted(1))
		for n := range d.ch {
			c := &d.ch[n]
			x := float64(part[c.col])
			c.z.c += float64(x * h.co)
			c.z.s += float64(x * h.si)
		}
		h.next()
	}
}

// hearSplit takes a scan of which the weight w belongs to this half, the rest to
// the next.
func (d *Detector) hearSplit(part []float32, w float64) {
	h := &d.hearing
	now := h.weighted(w)
	h.sum.add(now)
	h.csum = h.weighted(1 - w)
	for n := range d.ch {
		c := &d.ch[n]
		x := float64(part[c.col])
		c.z.c += float64(x * now.c)
		c.z.s += float64(x * now.s)
		c.cz = phasor{float64(x * h.csum.c), float64(x * h.csum.s)}
	}
	h.next()
}

// heardHalf ends a half of hearing: it begins, goes on or ends with how loud the
// loudest channel is.
func (d *Detector) heardHalf(g *half) {
	h := &d.hearing
	loud := float64(g.crosstalk*g.most) >= float64(loudShare*d.weakest)
	switch {
	case loud && !h.on:
		h.start(d.n)
		for k := range d.ch {
			d.ch[k].z = phasor{}
		}
	case loud:
		h.halves++
		h.psum, h.sum = h.sum, h.csum
		for k := range d.ch {
			c := &d.ch[k]
			c.pz, c.z = c.z, c.cz
		}
	case h.on:
		d.deafen()
	}
}

// deafen ends the hearing.
func (d *Detector) deafen() {
	d.hearing.on = false
	for k := range d.ch {
		d.ch[k].hush()
	}
}

// hearCycle finds the fundamentals of the cycle that ends with this half, and
// what idle channels show of the loudest one. The first half of the hearing lacks
// the split sample.
func (d *Detector) hearCycle(g *half) {
	h := &d.hearing
	if h.halves < 2 || g.loudest == nil || !h.solve(g) {
		return
	}
	for k := range d.ch {
		if c := &d.ch[k]; c.chained && c != g.loudest && (c.fault == 0 || c.fault == Clipped) {
			h.cycle.others += c.full()
		}
	}
	g.heard = &h.cycle
	for k := range d.ch {
		d.ch[k].hearIdle(g)
	}
}

// solve prepares the fit of the cycle and finds the fundamental of the loudest
// channel. It reports whether there is one. Beyond the converter's range it is
// that of the sine that the clipped current is taken for.
func (h *hearing) solve(g *half) bool {
	t := h.sum
	t.add(h.psum)
	cc := t.cc - float64(t.c*t.c*g.inv)
	cs := t.cs - float64(t.c*t.s*g.inv)
	ss := t.ss - float64(t.s*t.s*g.inv)
	det := float64(cc*ss) - float64(cs*cs)
	if !(det > 0) {
		return false
	}
	y := &h.cycle
	*y = cycle{c: t.c, s: t.s, icc: ss / det, ics: -cs / det, iss: cc / det, inv: g.inv}
	p := y.product(g.loudest, g.loudest)
	if !(p > 0) {
		return false
	}
	y.shown = math.Sqrt(p)
	y.amps = y.shown
	if g.loudest.amps > g.loudest.clipFrom {
		y.amps = max(y.shown, g.loudest.sine())
	}
	return true
}

// product is that of the fundamentals of two channels, in A².
func (y *cycle) product(a, b *channel) float64 {
	ac, as := a.z.c+a.pz.c-float64(a.mean*y.c), a.z.s+a.pz.s-float64(a.mean*y.s)
	bc, bs := b.z.c+b.pz.c-float64(b.mean*y.c), b.z.s+b.pz.s-float64(b.mean*y.s)
	p := float64(ac*(float64(y.icc*bc)+float64(y.ics*bs))) + float64(as*(float64(y.ics*bc)+float64(y.iss*bs)))
	return float64(p * y.inv * a.scale * b.scale)
}

// without is the channel's current without the given share of the loudest one.
// along is its part in phase with that, negative where it is opposite.
func (c *channel) without(y *cycle, along, share float64) float64 {
	left := along - float64(share*y.amps)
	return math.Sqrt(max(0, float64(c.amps*c.amps)-float64(along*along)+float64(left*left)))
}

// hearIdle learns how much of the loudest neighbour's current the channel shows
// while it is idle. It counts when that neighbour is no longer loud and nothing
// has started in between: a start that hides in the crosstalk of an inrush
// shows when the inrush is over.
func (c *channel) hearIdle(g *half) {
	s := &c.session
	if s.with != g.loudest {
		*s = session{}
	}
	if g.loudest == c || c.run || c.fault != 0 || c.good < recoverValues || !c.chained {
		return
	}
	s.with = g.loudest
	y := g.heard
	along := y.product(c, g.loudest) / y.shown
	quiet := c.rest + float64(knownLeft*g.crosstalk*y.amps)
	if f := &c.pairs[g.loudest.index]; f.square > 0 && c.without(y, along, f.share()) < quiet {
		s.agreed = max(s.agreed, y.amps)
	}
	if s.halves >= knownFirst && c.without(y, along, s.share()) >= quiet {
		s.void = true
	}
	s.halves++
	s.amps += y.amps
	s.square += float64(y.amps * y.amps)
	s.cross += float64(along * y.amps)
}

// hush ends the session. Earlier ones that agree with it count by half.
func (c *channel) hush() {
	if s := &c.session; s.with != nil && !s.void && s.halves >= knownFrom {
		f := &c.pairs[s.with.index]
		if s.agreed == 0 {
			*f = fit{}
		}
		f.amps, f.square, f.cross = f.amps/2+s.amps, f.square/2+s.square, f.cross/2+s.cross
	}
	c.session = session{}
}

// own is the channel's current as far as it is its own, and how much of that
// may still be another channel's. A much heavier neighbour than was heard so far
// leaves all that is possible; so does a start before the channel has shown that
// what is known still holds: a clamp may have been moved, or it is another load.
func (c *channel) own(g *half) (amps, extra float64) {
	most := c.heard(g)
	y := g.heard
	if y == nil || g.loudest == c {
		return c.amps, most
	}
	f := &c.pairs[g.loudest.index]
	if y.amps > f.most() || !c.run && y.amps > float64(knownUp*c.session.agreed) {
		return c.amps, most
	}
	amps = c.without(y, y.product(c, g.loudest)/y.shown, f.share())
	extra = float64(g.crosstalk * (float64(knownLeft*y.amps) + max(0, y.others-c.full())))
	if c.amps-most > amps-extra {
		return c.amps, most // more than all that is possible
	}
	return amps, extra
}
