package duct

import (
	"math"
	"math/rand"
	"testing"
)

// What a fan asks of its motor lies between 0 and 1; of a radial wheel it rises
// with the flow, of a backward one it has its top between.
func TestLoad(t *testing.T) {
	last, top := 0.0, 0.0
	for x := 0.0; x <= 1; x += 0.01 {
		radial, backward := Load(x)
		if radial <= last || radial > 1 || backward <= 0 || backward > 1 {
			t.Errorf("at %g: %g and %g", x, radial, backward)
		}
		last = radial
		top = math.Max(top, backward)
	}
	if _, end := Load(1); end >= top || top < 0.99 {
		t.Errorf("a backward wheel: %g at free flow, %g at its top", end, top)
	}
}

// A power outside the classes is marked, and a power says less than a plate.
func TestFromPower(t *testing.T) {
	const hp = 745.7
	for power, want := range map[float64]bool{0.5 * hp: false, 1 * hp: true, 1500: true, 5 * hp: true, 7.5 * hp: false} {
		f, known := FromPower(power)
		plate := Nameplate(FreeFlow(power), ShutOffPressure(power))
		if known != want || f.FlowFactor.High <= plate.FlowFactor.High || f.PressureFactor.Low >= plate.PressureFactor.Low {
			t.Errorf("%g hp: known %v, %+v", power/hp, known, f.FlowFactor)
		}
	}
}

// Where the fan leaves its curve is counted: a curve cut at either end.
func TestOffCurve(t *testing.T) {
	whole := referenceNetwork()
	for _, c := range []struct {
		what        string
		from, to    int
		open        uint64
		left, right float64
	}{
		{"the whole curve", 0, 5, 0b0111, 0, 0},
		{"cut at 800 cfm, 836 flow", 0, 3, 0b0111, 0, 1},
		{"cut at 800 cfm, 519 flow", 0, 3, 0b0001, 0, 0},
		{"from 800 cfm, 519 flow", 2, 5, 0b0001, 1, 0},
	} {
		n := whole.Clone()
		n.Fan.Points = n.Fan.Points[c.from:c.to]
		e, err := NewEnsemble(n)
		if err != nil {
			t.Fatal(err)
		}
		x := e.Solve(c.open)
		if left, right := x.OffCurve(); left != c.left || right != c.right {
			t.Errorf("%s: left %g, right %g", c.what, left, right)
		}
		if o := x.Opened(); !(o.Middle > 0 && o.Middle < 1) {
			t.Errorf("%s: %v of free flow", c.what, o)
		}
	}
	n := guessedTree(rand.New(rand.NewSource(4)), 7)
	e, err := NewEnsemble(n)
	if err != nil {
		t.Fatal(err)
	}
	if left, right := e.Solve(1).OffCurve(); left != 0 || right != 0 {
		t.Errorf("a plate's curve goes from nothing to free flow: %g, %g", left, right)
	}
}
