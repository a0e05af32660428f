package sensor

import (
	"fmt"
	"math"
)

const (
	weakLeast   = 3.0          // spreads that running and idle values must differ by, where the most idle one hides the least running one
	oddsYear    = 120 * 31.6e6 // values of a year at 60 Hz
	oddsStarts  = 3650         // starts of a year: ten a day, our own choice
	oddsLeast   = 1.0 / 1000   // a year; figures of ten seconds tell no more
	weakAverage = 8            // values in the longest window of the test on the fundamental, as independent ones
)

// weakly proposes levels for a machine whose running values lie among the idle ones,
// where the tests on values and fundamental tell them apart. Else there are none.
func (p *Proposal) weakly(idle, run Level) {
	spread := max(idle.Spread, run.Spread)
	rise := run.Mean - idle.Mean
	p.Spreads = 0
	if spread > 0 {
		p.Spreads = max(0, rise/spread)
	}
	if p.Spreads < weakLeast {
		return
	}
	p.Margin = Narrow
	p.Start, p.Stop = idle.Mean+float64(rise*3/4), idle.Mean+rise/2
}

// odds works out how often noise starts the machine falsely, and how often a start is
// missed, in a year. Both are tails of a normal distribution, below exp(-z²/2).
func (p *Proposal) odds(idle, run Level, least, lower float64) {
	if p.Start == 0 {
		return
	}
	tail := func(rise, spread float64) float64 {
		if spread <= 0 {
			return 0
		}
		z := max(0, rise/spread)
		return math.Exp(-float64(z * z / 2)) //fma:ok words for people
	}
	p.False = min(1, float64(oddsYear*tail(p.Start-idle.Mean, idle.Spread))) // the detector does the rest
	missed := tail(least+float64(lowSigmas*lower)-p.Start, lower)
	if p.Spreads > 0 {
		missed = tail(run.Mean-(p.Start+idle.Mean)/2, run.Spread/math.Sqrt(weakAverage))
	}
	p.Missed = float64(oddsStarts / 2 * missed)
}

// Apart says how far running is from idle.
func (p *Proposal) Apart() string {
	if p.Spreads > 0 || p.Margin == NoMargin {
		return fmt.Sprintf("running is %.2g spreads of the noise above off", p.Spreads)
	}
	return fmt.Sprintf("running is at least %.3g times the most that it shows off", p.Ratio)
}

// Odds says how often noise starts the machine falsely and how often a start is missed.
func (p *Proposal) Odds() string {
	often := func(x float64) string {
		switch {
		case x >= 1.5:
			return fmt.Sprintf("%.0f a year", x)
		case x > 0.75:
			return "one a year"
		case x < oddsLeast:
			return fmt.Sprintf("less than one in %.0f years", 1/oddsLeast)
		}
		return fmt.Sprintf("one in %.0f years", 1/x)
	}
	return fmt.Sprintf("false starts by noise: %s; missed starts, of ten a day: %s", often(p.False), often(p.Missed))
}
