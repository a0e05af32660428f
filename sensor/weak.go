package sensor

import (
	"math"
	"time"
)

const (
	weakSteps = 3    // times as far above idle as noise alone may reach: from there on single values tell soon enough
	weakPure  = 0.6  // of the power that has been added, the fundamental carries this much at least: spikes carry less
	weakEach  = 0.25 // of the sum that each of three halves brings
	weakOdd   = 0.43 // three standard deviations of what one of k halves brings of the sum, times the root of k
)

// weakOver are the windows of the test, in halves.
var weakOver = [...]uint64{3, 4, 6, 8, 12, toneKept}

// weak is a test on the fundamental of a channel whose start level lies near its
// noise. Halves of a mains current add up with their phase, whatever it is; those
// of noise do not: its fundamental over n samples exceeds spread*sqrt(2 t/n) with the
// chance exp(-t), exactly for white Gaussian noise. So the threshold of each window
// gives the mean time between false starts that is asked for, and a current equal to
// the noise of a sample is found in half the time that the RMS needs.
//
// The noise of a sample and the current that flows while the machine is off both
// follow from the learned mean M and spread s of values over n samples: with white
// noise of variance v, s² is v (M² - v/2) / (n M²).
type weak struct {
	on     bool
	idle   Level
	start  float64 // value that proves a start, A
	t      float64 // evidence that a window needs
	n      float64 // samples in a cycle for which the next two hold
	sigma  float64 // noise of a sample, A
	hum    float64 // what may be mains current while idle, A
	beside [toneKept]float64
}

// newWeak makes the test. The sequential one is that of the same channel.
func newWeak(p *ChannelParams, s *sequential, evidence float64) weak {
	w := weak{start: p.Start}
	if s.scale == 0 || s.step >= float64(weakSteps*s.top) {
		return w
	}
	w.on, w.idle = true, p.Idle
	// Half of the way, but no further below than noise reaches half of.
	w.start -= float64(min(s.step, s.top) / 2 * p.Idle.Spread)
	w.t = evidence + math.Ceil(16*math.Log(float64(len(weakOver))))/16 //fma:ok rounded up to a sixteenth
	return w
}

// gauge works out the noise from the learned figures for values over n samples.
func (w *weak) gauge(n float64) {
	if n == w.n {
		return
	}
	w.n = n
	m := float64(w.idle.Mean * w.idle.Mean)
	v := float64(2 * n * w.idle.Spread * w.idle.Spread) // all that is there, were it noise
	if v < m {
		v = m - float64(math.Sqrt(m)*math.Sqrt(m-v))
	}
	w.sigma, w.hum = math.Sqrt(v), math.Sqrt(max(0, m-v))
}

// faint reports whether the fundamental shows that the machine runs, and since when.
// The event must be longer than a cycle: it must show in three halves alike, or
// beyond any three.
func (c *channel) faint(g *half) (since time.Duration, ok bool) {
	w, t := &c.weak, &c.tone
	if !w.on || !t.on || t.n == 0 {
		return 0, false
	}
	w.gauge(g.n + g.pn)
	if w.beside[(t.n-1)%toneKept] = c.heard(g); w.beside[(t.n-1)%toneKept] < float64(heardFrom*c.start) {
		w.beside[(t.n-1)%toneKept] = 0
	}
	var sum toneHalf
	beside := 0.0
	added := float64(w.hum*w.hum) - float64(w.idle.Mean*w.idle.Mean)
	least := math.Sqrt(max(0, float64(w.start*w.start)+added))
	i := uint64(0)
	for _, k := range weakOver {
		if t.n < k {
			break
		}
		for ; i < k; i++ {
			at := (t.n - 1 - i) % toneKept
			sum.add(&t.kept[at])
			beside = max(beside, w.beside[at])
		}
		size := float64(sum.re*sum.re) + float64(sum.im*sum.im)
		power := float64(2 * size / sum.n / sum.n * c.scale * c.scale)
		need := beside + max(least, w.hum+float64(w.sigma*math.Sqrt(2*w.t/sum.n)))
		all := float64(sum.power / sum.n * c.scale * c.scale)
		if power >= float64(need*need) && power-float64(w.hum*w.hum) >= float64(weakPure*(all-float64(w.idle.Mean*w.idle.Mean))) && t.spans(&sum, size, k) {
			return g.at - time.Duration(k)*g.cycle/2, true
		}
	}
	return 0, false
}

// spans reports whether the last k halves, of the given sum and its square, hold
// more than an event shorter than a cycle, which touches three of them at most.
func (t *tone) spans(sum *toneHalf, size float64, k uint64) bool {
	var in [toneKept]float64 // share of the sum that each half brings
	for i := range k {
		h := &t.kept[(t.n-1-i)%toneKept]
		in[i] = (float64(h.re*sum.re) + float64(h.im*sum.im)) / size
	}
	if k == 3 {
		return min(in[0], in[1], in[2]) >= weakEach
	}
	part := 1 / float64(k)
	most := part + float64(weakOdd*math.Sqrt(part))
	pair := float64(2*part) + float64(weakOdd*math.Sqrt(2*part))
	three := (1 + float64(3*part)) / 2
	for i := range k {
		if in[i] > most || i > 0 && in[i]+in[i-1] > pair || i > 1 && in[i]+in[i-1]+in[i-2] > three {
			return false
		}
	}
	return true
}
