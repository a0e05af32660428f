package sensor

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// Figures of the learning. Common practice and tried on made signals; no
// source, except where one is named.
const (
	leastIdle   = 200     // values: two seconds of 50 Hz mains
	leastRun    = 200     // the same, after the inrush
	mostValues  = 1 << 16 // of each kind: nine minutes of 60 Hz mains; later ones are dropped
	spikeSigmas = 6       // an idle value further from the median than that is a spike
	spikeShare  = 0.02    // what more there is of them is how the channel idles
	madSigma    = 1.4826  // of a normal distribution, standard deviation over median deviation
	idleSigmas  = 6       // noise alone stays below that for hours
	overIdle    = 1.2     // a running machine shows at least so much more than the greatest idle value
	roseTimes   = 4       // times what an idle channel showed first is a machine that was switched on
	settled     = 1.3     // times the usual running value: the inrush is over
	settledIn   = 5       // values in a row

	faintOver   = 64   // values whose mean shows a machine where single ones do not
	faintRise   = 1.5  // spreads of a value that it is above idle: eight of the mean
	faintSeen   = 0.75 // so many are a current that is too weak
	plateau     = 50   // values at least of a lamp that burns before its machine starts
	plateauMost = 1.5  // the greatest of these over the least
	plateauJump = 2    // the machine draws at least so many times as much

	longestInrush = 5 * time.Second
	apart         = 500 * time.Millisecond // values further apart are of two runs

	runLow    = 0.01 // share of the running values that may be below Least
	lowSigmas = 2.33 // below the mean of a normal distribution lies that share
)

// Pass gathers what one channel shows while its machine is off and while it
// runs. The readings are those of a [Detector]; its levels do not matter. The
// zero value is ready.
type Pass struct {
	idle      []float64
	run       []valueAt
	bad       int    // readings that could not be used
	ill       Health // of the last of these
	dropped   bool
	threshold float64   // set with the first running value
	began     bool      // the machine has started
	weak      bool      // by the mean of values that are among the idle ones
	mean      Level     // idle, set with threshold
	late      []valueAt // the last faintOver values before it began
}

type valueAt struct {
	at   time.Duration
	amps float64
}

// Idle takes a reading from a time in which the machine is off.
func (p *Pass) Idle(r Reading) {
	switch {
	case !p.usable(r):
	case len(p.idle) == mostValues:
		p.dropped = true
	default:
		p.idle = append(p.idle, float64(r.Amps))
	}
}

// Run takes a reading from a time in which the machine is switched on. It
// reports whether the machine has run: readings before that do
// not count, so the person may take a while to reach the switch.
func (p *Pass) Run(r Reading) bool {
	if !p.usable(r) {
		return p.began
	}
	if p.threshold == 0 {
		idle, top, _ := p.idleFigures()
		p.threshold, p.mean = float64(overIdle*top), idle
	}
	switch {
	case len(p.run) == mostValues:
		p.dropped = true
		return p.began
	case !p.began && float64(r.Amps) <= p.threshold:
		p.run = p.run[:0]
		return p.faint(valueAt{r.At, float64(r.Amps)})
	}
	p.run = append(p.run, valueAt{r.At, float64(r.Amps)})
	// A spike is no start.
	p.began = p.began || len(p.run) >= 3*sureValues
	return p.began
}

// faint takes a value that tells nothing by itself, and reports whether the mean of
// many does.
func (p *Pass) faint(v valueAt) bool {
	if len(p.late) == faintOver {
		p.late = p.late[:copy(p.late, p.late[1:])]
	}
	p.late = append(p.late, v)
	if len(p.late) < faintOver || !p.hums() || p.rise() < float64(faintRise*p.mean.Spread) {
		return false
	}
	p.run = append(p.run, p.late...)
	p.threshold = p.mean.Mean + p.rise()/2
	p.began, p.weak = true, true
	return true
}

// hums reports whether the idle values are those of noise, and not of a machine that
// ran for a part of them: RMS values of noise vary by a third at most.
func (p *Pass) hums() bool {
	return p.mean.Spread > 0 && p.mean.Spread < p.mean.Mean/2
}

// rise is how much more than idle the last values show, in amperes.
func (p *Pass) rise() float64 {
	sum := 0.0
	for _, v := range p.late {
		sum += v.amps
	}
	return sum/float64(len(p.late)) - p.mean.Mean
}

// Weak reports whether only the mean of values showed that the machine runs, values that
// each could be idle ones.
func (p *Pass) Weak() bool { return p.weak }

// Off reports whether a reading shows the machine off again: below what a
// running machine shows.
func (p *Pass) Off(r Reading) bool { return p.usable(r) && float64(r.Amps) <= p.threshold }

// IdleFor is how many usable idle values have come.
func (p *Pass) IdleFor() int { return len(p.idle) }

// RunFor is how many values of the running machine have come.
func (p *Pass) RunFor() int {
	if !p.began {
		return 0
	}
	return len(p.run)
}

// NextRun begins another run of the machine; the values of the earlier ones
// are kept.
func (p *Pass) NextRun() {
	if !p.began {
		p.run = p.run[:0]
	}
}

// usable reports whether a reading can teach anything, and counts those that
// cannot.
func (p *Pass) usable(r Reading) bool {
	if r.Health == Healthy {
		return true
	}
	if r.Health != Starting {
		p.bad++
		p.ill = r.Health
	}
	return false
}

// Figures describe a channel as it was learned.
type Figures struct {
	Idle   Level         // machine off
	Top    float64       // A, the greatest idle value but for spikes, or 6 spreads above the mean
	Spikes int           // idle values that were left out
	Run    Level         // machine on, after the inrush
	Least  float64       // A, which it is below for 1 % of that time
	Lower  float64       // A, spread of the lowest of these values, as of a normal distribution
	Inrush float64       // A, greatest one-cycle value at the start
	Lamp   float64       // A, what it showed first, before the machine itself started; 0 = nothing
	Settle time.Duration // from the start to the end of the inrush
}

// Figures works out what was learned, or reports everything that speaks
// against it, in words for the person at the machine.
func (p *Pass) Figures() (Figures, error) {
	var f Figures
	var errs []error
	if p.bad > 0 && len(p.idle)+len(p.run) < leastIdle+leastRun {
		errs = append(errs, fmt.Errorf("the sensor cannot be trusted (%s): %s", p.ill, p.ill.Remedy()))
	}
	if len(p.idle) < leastIdle {
		errs = append(errs, fmt.Errorf("too little was seen of it idle: %d values of at least %d", len(p.idle), leastIdle))
		return f, errors.Join(errs...)
	}
	f.Idle, f.Top, f.Spikes = p.idleFigures()
	if !p.began && p.rose() {
		errs = append(errs, errors.New("it was switched on while it was still to be off: leave it off until you are asked to switch it on"))
		return f, errors.Join(errs...)
	}
	if !p.began && len(p.late) == faintOver && p.hums() && p.rise() >= float64(faintSeen*p.mean.Spread) {
		times := math.Ceil(math.Sqrt(float64(weakLeast * p.mean.Spread / p.rise())))
		errs = append(errs, fmt.Errorf("its current is too weak here: with it on, the channel shows %.2g A more than the %.3g A that it shows off, less than the noise hides. Put the conductor through the clamp %.0f times as often, or fit a transformer for smaller currents", p.rise(), f.Idle.Mean, max(2, times)))
		return f, errors.Join(errs...)
	}
	if !p.began {
		errs = append(errs, fmt.Errorf("no current was seen while it was said to run: never for long above %.3g A. Look whether the clamp goes round one conductor only, and round the right one, and whether it is shut", float64(overIdle*f.Top)))
		return f, errors.Join(errs...)
	}
	if err := p.runFigures(&f); err != nil {
		errs = append(errs, err)
	}
	return f, errors.Join(errs...)
}

// rose reports whether the idle values end with a current that was not there when
// they began.
func (p *Pass) rose() bool {
	n := len(p.idle) / 8
	if n == 0 {
		return false
	}
	first, last := slices.Clone(p.idle[:n]), slices.Clone(p.idle[len(p.idle)-n:])
	slices.Sort(first)
	slices.Sort(last)
	return quantile(last, 0.5) > float64(roseTimes*quantile(first, 0.9))
}

// IdleFigures are the figures of an idle channel alone, for one that senses no
// machine. The error is that of Figures.
func (p *Pass) IdleFigures() (Figures, error) {
	var f Figures
	if len(p.idle) < leastIdle {
		if p.bad > 0 {
			return f, fmt.Errorf("the sensor cannot be trusted (%s): %s", p.ill, p.ill.Remedy())
		}
		return f, fmt.Errorf("too little was seen of it: %d values of at least %d", len(p.idle), leastIdle)
	}
	f.Idle, f.Top, f.Spikes = p.idleFigures()
	return f, nil
}

// idleFigures are mean and spread without rare spikes, and the top.
func (p *Pass) idleFigures() (l Level, top float64, spikes int) {
	if len(p.idle) == 0 {
		return Level{}, 0, 0
	}
	sorted := slices.Clone(p.idle)
	slices.Sort(sorted)
	mid := quantile(sorted, 0.5)
	off := make([]float64, len(sorted))
	for i, v := range sorted {
		off[i] = math.Abs(v - mid)
	}
	slices.Sort(off)
	limit := float64(spikeSigmas * madSigma * quantile(off, 0.5))
	// The limit is 0 where most values are the same to the last bit.
	most := int(float64(spikeShare * float64(len(sorted))))
	for spikes < most && sorted[len(sorted)-1-spikes] > mid+limit {
		spikes++
	}
	kept := sorted[:len(sorted)-spikes]
	l = level(kept)
	return l, max(kept[len(kept)-1], l.Mean+float64(idleSigmas*l.Spread)), spikes
}

// runFigures fills in what the running machine shows.
func (p *Pass) runFigures(f *Figures) error {
	var runs [][]valueAt
	var all []float64
	for from, to := 0, 0; from < len(p.run); from = to {
		for to = from + 1; to < len(p.run) && p.run[to].at-p.run[to-1].at < apart; {
			to++
		}
		run := p.run[from:to]
		if n := lamp(run); n > 0 {
			l := sorted(run[:n])
			f.Lamp, f.Top = max(f.Lamp, quantile(l, 0.5)), max(f.Top, l[n-1])
			run = run[n:]
		}
		runs = append(runs, run)
		all = append(all, sorted(run)...)
	}
	slices.Sort(all)
	usual := quantile(all, 0.5)
	var steady []float64
	for _, run := range runs {
		end := inrush(run, usual)
		for _, v := range run[:min(end+settledIn, len(run))] {
			f.Inrush = max(f.Inrush, v.amps)
		}
		if end < len(run) {
			f.Settle = max(f.Settle, run[end].at-run[0].at)
		}
		for _, v := range run[end:] {
			if p.weak || v.amps > max(p.threshold, f.Top) { // what is below belongs to its end
				steady = append(steady, v.amps)
			}
		}
	}
	if len(steady) < leastRun {
		return fmt.Errorf("too little was seen of it running: %d values of at least %d after the inrush; let it run longer", len(steady), leastRun)
	}
	slices.Sort(steady)
	f.Run, f.Least = level(steady), quantile(steady, runLow)
	f.Lower = (quantile(steady, 0.1) - f.Least) / (lowSigmas - 1.28) // 10 % lie below 1.28 of them
	return nil
}

// lamp is how many values at the beginning of a run are of a lamp, or another small
// load, behind the machine's switch: they are steady, and then a machine starts, with
// an inrush, that draws much more.
func lamp(run []valueAt) int {
	least, most := math.Inf(1), 0.0
	for n, v := range run {
		if n >= plateau && v.amps > float64(plateauJump*most) {
			usual := quantile(sorted(run[n:]), 0.5)
			first := sorted(run[n:min(n+leastRun, len(run))])
			if usual > float64(plateauJump*most) && first[len(first)-1] > float64(settled*usual) {
				return n
			}
			return 0
		}
		if n < settledIn { // its own inrush
			continue
		}
		if least, most = min(least, v.amps), max(most, v.amps); most > float64(plateauMost*least) {
			return 0
		}
	}
	return 0
}

// inrush is how many values of a run belong to its inrush. It ends with the
// first few values in a row near the usual one; a soft start comes from below.
// Work may begin soon, so it is not waited for for ever.
func inrush(run []valueAt, usual float64) int {
	calm := 0
	for i, v := range run {
		if v.at-run[0].at >= longestInrush {
			return i
		}
		if v.amps > float64(settled*usual) || v.amps < usual/2 {
			calm = 0
			continue
		}
		if calm++; calm == settledIn {
			return i + 1 - settledIn
		}
	}
	return len(run)
}

// sorted are the currents of values.
func sorted(v []valueAt) []float64 {
	out := make([]float64, len(v))
	for i := range v {
		out[i] = v[i].amps
	}
	slices.Sort(out)
	return out
}

// level is mean and standard deviation.
func level(v []float64) Level {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	mean := sum / float64(len(v))
	sq := 0.0
	for _, x := range v {
		d := x - mean
		sq += float64(d * d)
	}
	return Level{mean, math.Sqrt(sq / float64(len(v)))}
}

// quantile is the value below which a share q of the sorted values lies.
func quantile(sorted []float64, q float64) float64 {
	return sorted[min(int(float64(q*float64(len(sorted)))), len(sorted)-1)]
}
