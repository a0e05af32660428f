package sensor

const (
	probeMost    = 256 // samples of a piece that is looked for
	probeChanges = 32  // of them differ from the one before: noise does not do that twice alike
	probeHits    = 3   // times at one distance
	probeLong    = 0.5 // seconds that these take at least

	// A piece is looked for so long, in seconds, hence a repeated buffer of that
	// length is found. With many channels each has less, so that all had their
	// turn in a while.
	probeMostFor, probeLeastFor, probeAll = 4.0, 1.0, 24.0
)

// probe finds out whether the samples of a channel come again and again to the
// last bit, whatever the length of what is repeated. It keeps a piece of them and
// looks for it in what follows (D. Knuth, J. Morris, V. Pratt, SIAM Journal on
// Computing 6, 1977). Three times at one distance is no chance, since the
// converter's noise has been seen.
type probe struct {
	piece   []float32 // its samples
	back    []uint16  // for each: how many before and with it begin the piece again
	changes int
	full    bool // piece is complete
	k       int  // so many samples match
	since   int  // samples since the last match
	lag     int  // distance of the last two
	hits    int  // matches at that distance
	found   bool
	done    bool // nothing more to find
}

// reset begins again.
func (p *probe) reset() {
	if p.piece == nil {
		p.piece, p.back = make([]float32, 0, probeMost), make([]uint16, 0, probeMost)
	}
	*p = probe{piece: p.piece[:0], back: p.back[:0]}
}

// take adds samples, one in every stride. A piece is looked for over so many.
func (p *probe) take(raw []float32, stride uint, most int, rate float64) {
	for j := uint(0); j < uint(len(raw)) && !p.done; j += stride {
		x := raw[j]
		if !p.full {
			p.collect(x)
			continue
		}
		p.since++
		for p.k > 0 && x != p.piece[p.k] {
			p.k = int(p.back[p.k-1])
		}
		if x == p.piece[p.k] {
			p.k++
		}
		if p.k == len(p.piece) {
			p.match(rate)
		} else if p.since > most || p.found && p.since > p.lag {
			p.found, p.done = false, true
		}
	}
}

// collect takes a sample of the piece.
func (p *probe) collect(x float32) {
	n := len(p.piece)
	if n > 0 {
		k := int(p.back[n-1])
		for k > 0 && x != p.piece[k] {
			k = int(p.back[k-1])
		}
		if x == p.piece[k] {
			k++
		}
		if x != p.piece[n-1] {
			p.changes++
		}
		p.piece, p.back = append(p.piece, x), append(p.back, uint16(k))
	} else {
		p.piece, p.back = append(p.piece, x), append(p.back, 0)
	}
	switch {
	case p.changes == probeChanges:
		p.full = true
		p.k = int(p.back[n])
	case n+1 == probeMost:
		p.done = true // too quiet to tell
	}
}

// match notes that the piece has come again.
func (p *probe) match(rate float64) {
	if p.since == p.lag {
		p.hits++
	} else {
		p.lag, p.hits = p.since, 1
	}
	p.since = 0
	p.k = int(p.back[p.k-1])
	p.found = p.hits >= probeHits && float64(p.hits*p.lag) >= float64(probeLong*rate)
}

// probing picks the channel whose samples are looked for again next.
func (d *Detector) probing() {
	noisy := 0
	for k := range d.ch {
		if d.ch[k].noisy {
			noisy++
		}
	}
	if noisy == 0 {
		d.probed = nil
		return
	}
	at := 0
	if d.probed != nil {
		at = d.probed.index + 1
	}
	for k := range d.ch {
		c := &d.ch[(at+k)%len(d.ch)]
		if c.noisy && !c.repeats.found {
			c.repeats.reset()
			d.probed = c
			d.probeFor = int(min(probeMostFor, max(probeLeastFor, probeAll/float64(noisy))) * d.rate)
			return
		}
	}
	d.probed = nil
}

// probe hands samples to the channels whose samples are looked for again.
func (d *Detector) probe(part []float32) {
	d.repeating = false
	for k := range d.ch {
		if c := &d.ch[k]; c == d.probed || c.repeats.found {
			c.repeats.take(part[c.col:], uint(d.channels), d.probeFor, d.rate)
			if c.repeats.found {
				d.repeating, c.calm = true, false
			}
		}
	}
}
