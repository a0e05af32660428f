package duct

import "math"

// Reynolds numbers between which the flow is neither laminar nor turbulent.
const (
	laminarEnd     = 2000
	turbulentBegin = 4000
)

// friction returns the Darcy friction factor of a round pipe: 64/Re up to 2000,
// Colebrook-White from 4000, linear in Re between the two. f·Re² rises strictly,
// so the operating point stays unique. guess is that of 1/√f from an earlier call
// (0 = none); it returns the new one.
//
// Colebrook-White: 1/√f = −2·log10((ε/D)/3.7 + 2.51/(Re·√f)).
func friction(re, rel, guess float64) (f, x float64) {
	if re <= laminarEnd {
		return 64 / math.Max(re, 1e-9), guess
	}
	if re >= turbulentBegin {
		x = colebrook(re, rel, guess)
		return 1 / (x * x), x
	}
	x = colebrook(turbulentBegin, rel, guess)
	t := (re - laminarEnd) / (turbulentBegin - laminarEnd)
	return float64((1-t)*(64.0/laminarEnd)) + float64(t/(x*x)), x
}

// colebrook solves Colebrook-White for x = 1/√f by Newton's method. The left
// side minus the right rises with x and is concave, so from any x > 0 the second
// step comes from below and the error falls quadratically.
func colebrook(re, rel, x float64) float64 {
	if x <= 0 {
		x = haaland(re, rel)
	}
	const perLog = 2 / math.Ln10
	a, b := rel/3.7, 2.51/re
	for range 20 {
		u := a + float64(b*x)
		step := (x + float64(perLog*math.Log(u))) / (1 + perLog*b/u)
		x -= step
		if x <= 0 { // a far-off guess at high roughness
			x = haaland(re, rel)
		}
		if math.Abs(step) <= 1e-8*x { // the next step would be about its square
			break
		}
	}
	return x
}

// haaland returns 1/√f by Haaland's explicit formula, within 1.4 % of Colebrook
// in f for Re 4e3 to 5e5: 1/√f = −1.8·log10(((ε/D)/3.7)^1.11 + 6.9/Re).
func haaland(re, rel float64) float64 {
	return -1.8 * math.Log10(math.Pow(rel/3.7, 1.11)+6.9/re)
}

func area(d float64) float64 { return math.Pi / 4 * d * d }
