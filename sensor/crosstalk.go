package sensor

import "math"

const (
	knownLeft  = 0.0025 // of a neighbour's current stays uncertain once its crosstalk is known,
	knownOff   = 0.06   // and of that crosstalk,
	clipOff    = 0.1    // more where the neighbour's current is beyond the range
	knownFrom  = 16     // halves of a neighbour's heavy current tell how much of it a channel shows
	knownFirst = 8      // such halves give a first figure, which the others must fit
	knownUp    = 1.5    // times the current with which it was found, since a standby load falsifies it

	firstFrom   = 12   // halves after which what a channel shows of a neighbour it has not heard before is weighed
	firstLeft   = 2    // times as uncertain
	firstOpen   = 60   // halves in which that figure still follows, so that a start within the inrush comes out as it falls
	varied      = 0.02 // spread of the neighbour's current, as a share of its power, which tells crosstalk from a steady current of the channel's own
	steadyShare = 0.15 // of the current, by which it changes at most from half to half
	movedLeast  = 0.02 // a clamp that was moved may show so much, or what it did
	ownLeast    = 4    // times what a channel showed before a neighbour is that neighbour's
	ownLess     = 4    // times that the neighbour's current must vary, else
	ownUp       = 1.25 // a steady current of its own may seem so much more
	shareSlack  = 1.1  // times the most that is possible: no crosstalk is more
	hearOn      = 16   // halves that hearing goes on after a doubt: a start may cancel the crosstalk, so that less shows than before
	hearFor     = 128  // halves of a loud current that are heard in any case
)

// Share is how much of another channel's current a channel shows, as a complex
// share of the fundamental: the part in phase and the part a quarter ahead.
type Share struct {
	Channel, Of int     // of the rig
	Re, Im      float64 // share
	Amps        float64 // of the other channel: up to half as much again it holds
}

// Size is the share without its phase.
func (s Share) Size() float64 { return math.Sqrt(float64(s.Re*s.Re) + float64(s.Im*s.Im)) }

// Shares appends what is known of crosstalk, in order of the channels in the scan.
func (d *Detector) Shares(out []Share) []Share {
	for i := range d.ch {
		c := &d.ch[i]
		for k := range c.pairs {
			if f := &c.pairs[k]; f.square > 0 {
				z := f.share()
				out = append(out, Share{c.number, d.ch[k].number, z.re, z.im, f.most() / knownUp})
			}
		}
	}
	return out
}

// know takes over what was known of crosstalk, as if it had been heard for a while.
func (d *Detector) know(shares []Share) {
	for _, s := range shares {
		for i := range d.ch {
			for k := range d.ch {
				if c := &d.ch[i]; i != k && c.number == s.Channel && d.ch[k].number == s.Of && s.Amps > 0 && s.Size() < 1 {
					sq := float64(knownFrom * s.Amps * s.Amps)
					c.pairs[k] = fit{amps: knownFrom * s.Amps, square: sq, cross: vector{float64(s.Re * sq), float64(s.Im * sq)}}
				}
			}
		}
	}
}

// vector is a fundamental in amperes, or a share of one: in phase with the loudest
// channel, and a quarter ahead of it.
type vector struct{ re, im float64 }

func (v vector) square() float64 { return float64(v.re*v.re) + float64(v.im*v.im) }
func (v vector) size() float64   { return math.Sqrt(v.square()) }

// less is v without so much of a share.
func (v vector) less(share vector, amps float64) vector {
	return vector{v.re - float64(share.re*amps), v.im - float64(share.im*amps)}
}

// hearing takes the fundamental of every channel while one is so loud that its
// crosstalk could start another, since amplitudes do not tell crosstalk from a
// current of the channel's own. The fundamental is the least-squares fit of a
// sine of the mains frequency with the same weights as the RMS, so that a sine
// leaves nothing, wherever the cycle begins. It keeps its phase where the
// converter clips it.
type hearing struct {
	on       bool
	halves   int      // since it is
	with     *channel // that is loud
	age      int      // halves since it is
	co, si   float64  // the oscillator at the next sample
	dco, dsi float64  // its turn in a sample
	n        float64  // samples in a half, for which the turn was made
	sum      sums     // this half
	psum     sums     // the half before
	csum     sums     // the next half's share of the split sample
	cycle    cycle    // that ends with this half
}

// cycle holds what hearing found in one.
type cycle struct {
	c, s          float64 // sums of the oscillator
	icc, ics, iss float64 // inverse of the sums of its products about its mean
	inv           float64 // 1 / samples
	shown, amps   float64 // fundamental of the loudest channel, and what it is without clipping, A
	others        float64 // sum of the other channels' currents, A
	harmonics     float64 // square of the loudest channel's current without its fundamental, A²; 0 beyond its range
	clipped       bool
	steady        bool // the cycle before had much the same
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
	cross  vector  // sum of it times what shows of it
}

// share is the share of the other's current that shows.
func (f *fit) share() vector { return vector{f.cross.re / f.square, f.cross.im / f.square} }

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
	shut   bool     // the neighbour goes on, but it is no longer heard from its beginning on
	agreed float64  // the most of the neighbour's current at which what was known explained the channel's, A
	before float64  // what the channel showed before the neighbour was loud, A
	halves int
	shown  vector // sum of what the channel shows
	fit
}

// line is the share of a neighbour as far as this session tells and, where the
// neighbour's current has changed, the steady current of the channel's own beside it.
func (s *session) line() (share, own vector) {
	n := float64(s.halves)
	spread := s.square - float64(s.amps/n*s.amps)
	if spread < float64(varied*s.square) {
		return s.share(), vector{}
	}
	share = vector{
		(s.cross.re - float64(s.shown.re/n*s.amps)) / spread,
		(s.cross.im - float64(s.shown.im/n*s.amps)) / spread,
	}
	return share, vector{(s.shown.re - float64(share.re*s.amps)) / n, (s.shown.im - float64(share.im*s.amps)) / n}
}

func (s *session) first() vector {
	share, _ := s.line()
	return share
}

// crosstalk is the share without the steady current of the channel's own that may
// be there, and whether the two can be told apart: the neighbour's current has changed by
// much more than what the channel showed before, or what it shows is much more.
func (s *session) crosstalk() (share vector, ok bool) {
	mean := s.amps / float64(s.halves)
	if varies := math.Sqrt(max(0, s.square/float64(s.halves)-float64(mean*mean))); varies >= float64(ownLess*s.before) {
		share = s.first()
		return share, true
	}
	share = s.share()
	return share, float64(share.size()*mean) >= float64(ownLeast*s.before)
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
	*h = hearing{on: true, co: 1, with: h.with, age: h.age}
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

// heardHalf ends a half of hearing. It begins when a channel becomes loud, and
// goes on while another shows something that must be told from crosstalk.
func (d *Detector) heardHalf(g *half) {
	h := &d.hearing
	loud := float64(g.crosstalk*g.most) >= float64(loudShare*d.weakest)
	var with *channel
	if loud {
		with = g.loudest
	}
	if with != h.with {
		// What happened before a neighbour became loud says nothing about its session.
		for k := range d.ch {
			d.ch[k].hush()
			d.ch[k].session.before = d.ch[k].amps2
		}
		h.with, h.age = with, 0
	}
	h.age = min(h.age+1, hearFor+1)
	if loud && d.doubtful() {
		h.age = min(h.age, hearFor-hearOn)
	}
	switch hear := loud && h.age <= hearFor; {
	case hear && !h.on:
		h.start(d.n)
		for k := range d.ch {
			d.ch[k].z = phasor{}
		}
	case hear:
		h.halves++
		h.psum, h.sum = h.sum, h.csum
		for k := range d.ch {
			c := &d.ch[k]
			c.pz, c.z = c.z, c.cz
		}
	case h.on:
		h.on = false
		for k := range d.ch {
			d.ch[k].session.shut = true
		}
	}
}

// doubtful reports whether a channel shows what crosstalk may be, or may hide.
func (d *Detector) doubtful() bool {
	for k := range d.ch {
		c := &d.ch[k]
		if c == d.hearing.with || c.fault != 0 {
			continue
		}
		if !c.run && c.amps >= c.rest || c.run && (c.below != never || c.unproved > 0) {
			return true
		}
	}
	return false
}

// hearCycle finds the fundamentals of the cycle that ends with this half, and
// what idle channels show of the loudest one. The first half of the hearing lacks
// the split sample.
func (d *Detector) hearCycle(g *half) {
	h := &d.hearing
	if h.halves < 2 || g.loudest == nil || g.loudest != h.with || !h.solve(g) {
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
	was := y.amps
	*y = cycle{c: t.c, s: t.s, icc: ss / det, ics: -cs / det, iss: cc / det, inv: g.inv}
	p := y.product(g.loudest, g.loudest)
	if !(p > 0) {
		return false
	}
	y.shown = math.Sqrt(p)
	y.amps = y.shown
	if g.loudest.amps > g.loudest.clipFrom {
		y.clipped = true
		y.amps = max(y.shown, g.loudest.sine())
	} else {
		y.harmonics = max(0, float64(g.loudest.amps*g.loudest.amps)-p)
	}
	// Where it begins or ends within a cycle, a share that is out of phase is another.
	y.steady = math.Abs(y.amps-was) < float64(steadyShare*y.amps)
	return true
}

// sums are those of a channel about its mean.
func (y *cycle) sums(a *channel) (c, s float64) {
	return a.z.c + a.pz.c - float64(a.mean*y.c), a.z.s + a.pz.s - float64(a.mean*y.s)
}

// product is that of the fundamentals of two channels, in A².
func (y *cycle) product(a, b *channel) float64 {
	ac, as := y.sums(a)
	bc, bs := y.sums(b)
	p := float64(ac*(float64(y.icc*bc)+float64(y.ics*bs))) + float64(as*(float64(y.ics*bc)+float64(y.iss*bs)))
	return float64(p * y.inv * a.scale * b.scale)
}

// of is the fundamental of a channel against that of the loudest one.
func (y *cycle) of(c, loudest *channel) vector {
	ac, as := y.sums(c)
	bc, bs := y.sums(loudest)
	a1, a2 := float64(y.icc*ac)+float64(y.ics*as), float64(y.ics*ac)+float64(y.iss*as)
	b1, b2 := float64(y.icc*bc)+float64(y.ics*bs), float64(y.ics*bc)+float64(y.iss*bs)
	across := float64((float64(a1*b2) - float64(a2*b1)) / 2 * c.scale * loudest.scale)
	return vector{y.product(c, loudest) / y.shown, across / y.shown}
}

// without is the channel's current without the given share of the loudest one,
// of whose fundamental it shows z.
func (c *channel) without(y *cycle, z, share vector) float64 {
	rest := max(0, float64(c.amps*c.amps)-z.square()-float64(share.square()*y.harmonics))
	return math.Sqrt(rest + z.less(share, y.amps).square())
}

// uncertain returns by how many amperes a share may be wrong.
func (y *cycle) uncertain(share vector) float64 {
	off := knownOff
	if y.clipped {
		off += clipOff
	}
	return float64((knownLeft + float64(off*share.size())) * y.amps)
}

// margin is how much more than the start level a start needs, so many times as sure:
// what may be wrong with the share counts beyond half the level.
func (c *channel) margin(y *cycle, share vector, times float64) float64 {
	left := float64(knownLeft * y.amps)
	return float64(times*left) + max(0, float64(times*(y.uncertain(share)-left))-c.start/2)
}

// hearIdle learns how much of the loudest neighbour's current the channel shows
// while it is idle. It counts when that neighbour is no longer loud and nothing
// has started in between: a start that hides in the crosstalk of an inrush
// shows when the inrush is over.
func (c *channel) hearIdle(g *half) {
	s := &c.session
	if g.loudest == c || c.run || c.fault != 0 || c.good < recoverValues || !c.chained {
		return
	}
	s.with = g.loudest
	y := g.heard
	z := y.of(c, g.loudest)
	if f := &c.pairs[g.loudest.index]; f.square > 0 && c.without(y, z, f.share()) < max(c.rest, float64(ownUp*s.before))+y.uncertain(f.share()) {
		s.agreed = max(s.agreed, y.amps)
	}
	if s.shut || !y.steady || s.halves >= firstOpen && s.void {
		return
	}
	if s.halves >= knownFirst {
		if share := s.share(); c.without(y, z, share) >= c.rest+y.uncertain(share) {
			s.void = true
		}
	}
	s.halves++
	s.amps += y.amps
	s.square += float64(y.amps * y.amps)
	s.shown = vector{s.shown.re + z.re, s.shown.im + z.im}
	s.cross = vector{s.cross.re + float64(z.re*y.amps), s.cross.im + float64(z.im*y.amps)}
}

// hush ends the session. Earlier ones that agree with it count by half.
func (c *channel) hush() {
	if s := &c.session; s.with != nil && !s.void && s.halves >= knownFrom {
		f := &c.pairs[s.with.index]
		if s.agreed == 0 {
			*f = fit{}
		}
		if share, ok := s.crosstalk(); ok {
			f.amps, f.square = f.amps/2+s.amps, f.square/2+s.square
			f.cross = vector{f.cross.re/2 + float64(share.re*s.square), f.cross.im/2 + float64(share.im*s.square)}
		}
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
	z := y.of(c, g.loudest)
	others := float64(g.crosstalk * max(0, y.others-c.full()))
	f, t := &c.pairs[g.loudest.index], &c.session
	switch {
	case y.amps <= f.most() && (c.run || y.amps <= float64(knownUp*t.agreed)):
		share := f.share()
		amps, extra = c.without(y, z, share), c.margin(y, share, 1)
	case t.with == g.loudest && t.halves >= firstFrom && t.first().size() <= float64(shareSlack*g.crosstalk):
		share := t.first()
		amps, extra = c.without(y, z, share), c.margin(y, share, firstLeft)
	case f.square > 0:
		return c.amps, min(most, float64(max(movedLeast, f.share().size())*g.most))
	default:
		return c.amps, most
	}
	extra += others
	if c.amps-most > amps-extra {
		return c.amps, most // more than all that is possible
	}
	return amps, extra
}
