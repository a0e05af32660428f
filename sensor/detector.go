package sensor

import (
	"math"
	"slices"
	"time"
)

const (
	minMains, maxMains = 45.0, 65.0 // accepted nominal frequencies, Hz

	maxRate = 10e6 // scans/s, more than any converter here makes

	maxRateStep = 0.02             // a larger step of the sample rate restarts the windows
	jitter      = time.Microsecond // a frame's At may differ by this from the count of samples
	never       = time.Duration(1<<63 - 1)
)

// MinRate is the lowest rate of frames that a Detector takes, in scans a
// second: four in a cycle of 60 Hz. Frames of a lower rate are read errors.
const MinRate = 240.0

// Detector turns the frames of one source into readings. It is not safe for
// use by several goroutines.
//
// All channels share one grid of half cycles that runs at the tracked mains
// frequency. A boundary that falls inside a sample splits the sample by
// weight. The value of a channel is the true RMS of the last two halves with
// their mean taken off, refreshed each half, in the manner of the half-cycle
// refreshed RMS of IEC 61000-4-30:2015, 3.24 and 5.2. There is no voltage
// reference, so the grid's phase is arbitrary.
type Detector struct {
	source   int
	channels int           // samples in a scan
	stale    time.Duration // unknown after this long without a full window
	ch       []channel     // used channels in scan order
	mains    mains

	hearing    hearing
	weakest    float64  // the lowest start level, A
	crosstalk  float64  // share of another channel's current
	evidence   float64  // a weak start needs this much
	followed   *channel // valid while mains has a block
	probed     *channel // whose samples are looked for again; nil = of none
	probeFor   int      // samples
	repeating  bool     // a channel's samples come again and again
	comparable bool     // alike can tell

	// The time of scan i is base + (i-baseIndex)/rate.
	base      time.Duration
	baseIndex uint64
	rate      float64 // of the last good frame; 0 before one
	next      uint64  // index expected of the next frame

	// The grid. Valid while open, that is, in an unbroken run of scans.
	open bool
	// Of the fundamental in a sample: its angle, and twice the cosine.
	toneTurn, toneCos, toneSin, toneStep float64
	whole                                int     // samples of full weight still to come in this half
	last                                 float64 // weight of the one after them, in (0, 1]
	n, pn                                float64 // length of this half and of the one before, in samples
	cycle                                time.Duration
	halves                               uint64        // number of this half
	from, pfrom                          time.Duration // where the first sample of these halves begins

	due     time.Duration // no channel becomes stale before this
	lastAt  time.Duration // of the latest reading; time does not run backwards
	badRead bool          // the source has reported an error since the last full window
}

// New makes a detector, or says all that is wrong with p.
func New(p Params) (*Detector, error) {
	if err := p.validate(); err != nil {
		return nil, err
	}
	if p.Stale == 0 {
		p.Stale = DefaultStale
	}
	d := &Detector{
		source:   p.Source,
		channels: len(p.Channels),
		stale:    p.Stale,
		mains:    newMains(p.Mains, p.HoldMains),
		due:      p.Stale,
	}
	if p.FalseStarts == 0 {
		p.FalseStarts = DefaultFalseStarts
	}
	d.evidence = evidenceFor(p.FalseStarts)
	switch {
	case p.Crosstalk == 0:
		d.crosstalk = DefaultCrosstalk
	case p.Crosstalk > 0:
		d.crosstalk = p.Crosstalk
	}
	for i := range p.Channels {
		if p.Channels[i].Used {
			d.ch = append(d.ch, newChannel(i, &p.Channels[i], d.evidence))
		}
	}
	d.weakest = math.Inf(1)
	for i := range d.ch {
		c := &d.ch[i]
		c.index, c.pairs = i, make([]fit, len(d.ch))
		d.weakest = min(d.weakest, c.start)
	}
	d.know(p.Shares)
	d.comparable = canCompare(d.ch)
	return d, nil
}

// Mains is the mains frequency in Hz, and whether it was measured rather than
// given or assumed.
func (d *Detector) Mains() (hz float64, measured bool) { return d.mains.hz, d.mains.measured }

// MainsDoubt says in a sentence that the mains was measured to be another than
// Params.Mains. It is empty where it was not.
func (d *Detector) MainsDoubt() string {
	if d.mains.other() == 0 {
		return ""
	}
	return MainsDoubt(d.mains.hz, d.mains.nominal)
}

// Feed takes one frame and appends its readings to out: for each half cycle
// one of each used channel that has a full cycle of good samples, and one
// when a channel becomes unknown for want of them. They come in order of time,
// and at one instant in order of the channels in the scan. Where the stream is
// cut into frames makes no difference. Frames of other sources are ignored.
func (d *Detector) Feed(f *Frame, out []Reading) []Reading {
	if f.Source != d.source {
		return out
	}
	if f.Err != nil || !d.usable(f) {
		d.open = false
		d.badRead = true
		d.mains.gap()
		return d.Expire(f.At, out)
	}
	d.place(f)
	scans := f.Scans()
	d.next = f.Index + uint64(scans)
	raw := f.Raw[:scans*d.channels]
	for i := 0; i < scans; {
		if !d.open {
			if d.allBad(raw, i) {
				i++
				continue
			}
			d.start(f.Index + uint64(i))
		}
		if d.whole > 0 {
			k := min(d.whole, scans-i)
			k, ok := d.add(raw, f.Index, i, k)
			i += k
			if ok {
				d.whole -= k
			} else {
				d.open = false
				d.mains.gap()
			}
			continue
		}
		if d.allBad(raw, i) {
			d.open = false
			d.mains.gap()
		} else {
			out = d.split(raw, f.Index, i, out)
		}
		i++
	}
	return d.Expire(d.timeOf(d.next), out)
}

// usable reports whether f has the shape and a rate that the detector can
// work with.
func (d *Detector) usable(f *Frame) bool {
	return f.Channels == d.channels && len(f.Raw)%d.channels == 0 &&
		f.Rate >= MinRate && f.Rate <= maxRate
}

// place finds out whether f follows on from the frame before, and sets the
// count of time.
func (d *Detector) place(f *Frame) {
	if d.rate == 0 || f.Index != d.next || math.Abs(f.Rate-d.rate) > maxRateStep*d.rate {
		d.open = false
		d.mains.gap()
	} else if off := f.At - d.timeOf(f.Index); f.Rate == d.rate && off <= jitter && off >= -jitter {
		return
	}
	d.base, d.baseIndex, d.rate = f.At, f.Index, f.Rate
}

// timeOf is the instant at which scan i begins.
func (d *Detector) timeOf(i uint64) time.Duration {
	return d.base + time.Duration(float64(float64(i-d.baseIndex)/d.rate*1e9)+0.5)
}

// start begins a run with scan i: a new grid, and no half before this one.
func (d *Detector) start(i uint64) {
	d.open = true
	d.hearing = hearing{}
	d.begin(0)
	d.halves += keptHalves // none of the halves before the gap counts
	d.from = d.timeOf(i)
	for k := range d.ch {
		c := &d.ch[k]
		c.clear()
		c.session = session{}
		c.prevOK = false
		c.repeats.reset()
	}
}

// begin starts a half of which the given weight of a sample is already in.
func (d *Detector) begin(have float64) {
	if n := d.rate / (2 * d.mains.hz); n != d.n {
		d.n = n
		d.toneTurn = math.Pi / n
		d.toneCos, d.toneSin = cosSin(d.toneTurn)
		d.toneStep = 2 * d.toneCos
	}
	d.cycle = time.Duration(math.Round(1e9 / d.mains.hz))
	left := d.n - have
	up := math.Ceil(left)
	d.whole = int(up) - 1
	d.last = left - (up - 1)
	d.hearing.begin(d.n)
}

// add takes k scans from scan i of the frame on at full weight. Where it
// meets a scan without one good sample it stops behind it and reports false.
func (d *Detector) add(raw []float32, index uint64, i, k int) (int, bool) {
	bad := 0
	stride := uint(d.channels)
	part := raw[i*d.channels : (i+k)*d.channels]
	at := index + uint64(i)
	for n := 0; n < len(d.ch); n += 2 {
		a := &d.ch[n]
		as, aq := a.s, a.q
		if n+1 < len(d.ch) {
			b := &d.ch[n+1]
			bs, bq := b.s, b.q
			addPair(a, b, part[a.col:], part[b.col:], stride)
			if b.q-b.q != 0 || b.tone.on || b.mayBeActive(bs, bq, k) {
				bad += d.check(b, part, at)
			}
		} else {
			addOne(a, part[a.col:], stride)
		}
		if a.q-a.q != 0 || a.tone.on || a.mayBeActive(as, aq, k) {
			bad += d.check(a, part, at)
		}
	}
	ok := true
	if bad == len(d.ch) {
		for j := range k {
			if d.allBad(raw, i+j) {
				k, ok = j+1, false
				break
			}
		}
	}
	if d.hearing.on {
		d.hear(raw[i*d.channels : (i+k)*d.channels])
	}
	if d.probed != nil || d.repeating {
		d.probe(raw[i*d.channels : (i+k)*d.channels])
	}
	d.follow(raw, i, k)
	return k, ok
}

// check looks closer at the samples of channel c from scan at on: it marks the
// active ones, and returns 1 if the half is void.
func (d *Detector) check(c *channel, part []float32, at uint64) int {
	if c.centred {
		if first, last, ok := c.activeIn(part[c.col:], uint(d.channels)); ok {
			c.mark(d.timeOf(at+uint64(first)), d.timeOf(at+uint64(last)), d.cycle, d.halves)
		}
	}
	if c.tone.on {
		c.tone.take(part[c.col:], uint(d.channels), d.toneStep)
	}
	if c.q-c.q != 0 {
		c.bad = true
		return 1
	}
	return 0
}

// split takes scan i, which ends this half and begins the next, and closes
// the half.
func (d *Detector) split(raw []float32, index uint64, i int, out []Reading) []Reading {
	part := raw[i*d.channels : (i+1)*d.channels]
	w := d.last
	for n := range d.ch {
		c := &d.ch[n]
		x := float64(part[c.col])
		if x-x != 0 {
			c.bad = true
			c.carryBad = true
			continue
		}
		c.split(x, w)
		if c.tone.on {
			c.tone.split(x, w, d.toneStep)
			d.closeTone(c, w)
		}
		if c.centred && c.isActive(x) {
			at := d.timeOf(index + uint64(i))
			c.mark(at, at, d.cycle, d.halves)
		}
	}
	if d.hearing.on {
		d.hearSplit(part, w)
	}
	if d.probed != nil || d.repeating {
		d.probe(part)
	}
	d.follow(raw, i, 1)
	at := d.timeOf(index + uint64(i) + 1)
	if at < d.lastAt {
		at = d.lastAt
	}
	if at >= d.due {
		out = d.Expire(at, out)
	}
	out = d.closeHalf(at, out)
	d.lastAt = at
	d.pn, d.pfrom = d.n, d.from
	d.halves++
	d.from = d.timeOf(index + uint64(i))
	if w == 1 {
		d.from = at
	}
	d.begin(1 - w)
	return out
}

// closeHalf makes the readings of the cycle that ends at the instant at.
func (d *Detector) closeHalf(at time.Duration, out []Reading) []Reading {
	g := half{
		at: at, from: d.pfrom, index: d.halves, cycle: d.cycle, n: d.n, pn: d.pn, unsure: d.mains.unsure(d.rate), inv: 1 / (d.n + d.pn), left: 1 - d.last,
		crosstalk: d.crosstalk, evidence: d.evidence,
	}
	for k := range d.ch {
		c := &d.ch[k]
		if !c.prevOK || c.bad {
			c.chained = false
			continue
		}
		mean := float64((c.ps + c.s) * g.inv)
		v := float64((c.pq+c.q)*g.inv) - float64(mean*mean)
		if v < float64(flatSample*g.inv)+float64(flatRound*mean*mean) {
			c.same++
		} else {
			c.same = 0
		}
		v = max(v, 0) // rounding
		c.tone.weigh(v)
		amps := float64(c.scale * math.Sqrt(v))
		if amps > math.MaxFloat32 {
			amps = math.MaxFloat32
		}
		c.amps2, c.amps1 = c.amps1, c.amps
		c.mean2, c.mean1 = c.mean1, c.mean
		if !c.chained {
			c.amps2, c.amps1, c.mean2, c.mean1, c.chained = amps, amps, mean, mean, true
		}
		c.mean, c.amps = mean, amps
		if amps = c.full(); amps > g.second && (c.fault == 0 || c.fault == Clipped) {
			if amps > g.most {
				g.second = g.most
				g.most, g.loudest = amps, c
			} else {
				g.second = amps
			}
		}
	}
	if d.hearing.on {
		d.hearCycle(&g)
	}
	g.alike = d.comparable && alike(d.ch)
	if d.halves%listenEach == 0 {
		for k := range d.ch {
			d.ch[k].listen(&g)
			d.ch[k].look(&g)
		}
		if d.probed == nil || d.probed.repeats.done || d.probed.repeats.found {
			d.probing()
		}
	}
	out = slices.Grow(out, len(d.ch))
	before, other := len(out), d.mains.other()
	var strongest, another *channel // that run; another is the first after the one last followed
	for k := range d.ch {
		c := &d.ch[k]
		if !c.prevOK || c.bad {
			c.roll()
			continue
		}
		c.lastGood = at
		amps, mean := c.amps, c.mean
		if c.calm && amps >= c.calmLo && amps < c.calmHi && usualDrop*amps >= c.usual &&
			mean >= c.biasLo && mean <= c.biasHi && math.Abs(mean-c.mean2) <= c.wander &&
			c.same < c.sameMost && !g.alike && g.heard == nil && !c.marked && !c.pmarked {
			if c.run {
				c.settle(amps)
			} else {
				c.mid = mean
				c.ease()
				c.resting(amps)
			}
		} else {
			if c.stale {
				c.stale = false
				d.due = min(d.due, at+d.stale)
			}
			c.judge(&g)
		}
		out = out[:len(out)+1]
		r := &out[len(out)-1]
		r.Channel, r.At, r.Onset = c.number, at, c.onset
		r.Verdict, r.Amps, r.Health = c.verdict, float32(amps), c.health
		r.OtherHz = other
		r.Gone = c.verdict == Running && c.below != never
		if c.verdict == Running && (strongest == nil || amps > strongest.amps) {
			strongest = c
		}
		if c.verdict == Running && d.followed != nil && (another == nil || another.index <= d.followed.index && c.index > d.followed.index) {
			another = c
		}
		c.roll()
	}
	d.heardHalf(&g)
	if len(out) > before {
		d.badRead = false
	}
	if d.mains.col >= 0 {
		if f := d.followed; f.verdict == Running {
			d.mains.level(f.mean, f.amps/f.scale)
		} else {
			d.mains.rest()
		}
	} else if strongest = d.turn(strongest, another); strongest != nil && d.mains.begin(strongest.col, strongest.mean, strongest.amps/strongest.scale) {
		d.followed = strongest
	}
	return out
}

// turn is the channel on which the mains frequency is looked for: the strongest or,
// where it gave none for a while, another.
func (d *Detector) turn(strongest, another *channel) *channel {
	if d.mains.failed >= tries && another != nil {
		return another
	}
	return strongest
}

// follow hands k scans from scan i on to the frequency tracker.
func (d *Detector) follow(raw []float32, i, k int) {
	if d.mains.col >= 0 {
		d.mains.follow(raw[i*d.channels:(i+k)*d.channels], uint(d.channels), d.rate)
	}
}

// allBad reports whether scan i has no good sample in a used channel.
func (d *Detector) allBad(raw []float32, i int) bool {
	scan := raw[i*d.channels : (i+1)*d.channels]
	for k := range d.ch {
		if x := scan[d.ch[k].col]; x-x == 0 {
			return false
		}
	}
	return true
}

// Next is the instant at which a channel becomes unknown if no further
// samples come. Call Expire then.
func (d *Detector) Next() (time.Duration, bool) {
	at := never
	for k := range d.ch {
		if c := &d.ch[k]; !c.stale {
			at = min(at, c.lastGood+d.stale)
		}
	}
	return at, at != never
}

// Expire appends a reading for each channel that becomes unknown at or before
// now for want of samples, in order of time and channel. The readings bear the
// instants at which it happened.
func (d *Detector) Expire(now time.Duration, out []Reading) []Reading {
	for now >= d.due {
		at, ok := d.Next()
		d.due = at
		if !ok || now < at {
			break
		}
		h := Missing
		if d.badRead {
			h = ReadError
		}
		for k := range d.ch {
			if c := &d.ch[k]; !c.stale && c.lastGood+d.stale == at {
				out = append(out, c.lose(at, h))
				out[len(out)-1].OtherHz = d.mains.other()
			}
		}
		d.lastAt = max(d.lastAt, at)
	}
	return out
}
