package duct

import (
	"errors"
	"fmt"
	"math/rand"
	"os"
	"testing"
)

// fitNetwork is a small shop of which little is known for sure: two branches, one by
// a hose, on a main in two lengths.
func fitNetwork() *Network {
	n := &Network{Expansion: true, Fan: Nameplate(1400*cfm, ShutOffPressure(2*745.7)),
		Filter: Filter{Now: Guess(2*inwg/(1400*cfm), 0.5*inwg/(1400*cfm), 5*inwg/(1400*cfm))}}
	add := netAdder(n)
	add("P1", 4, 4, 2, 9e-5, 0, true)
	add("P2", 2, 4, 12, 9e-5, 0, true)
	add("T1", 3, 6, 10, 9e-5, 0.2, false)
	add("T2", Collector, 6, 8, 9e-5, 0.2, false)
	add("H1", 2, 4, 20, 9e-4, 0, false)
	for i := range 2 {
		n.Segments[i].Hood = &Hood{Entry: UnknownHood()}
		n.Gates[i].Shut = Exact(13000)
	}
	n.Segments[1].Pieces = []Piece{{Kind: Wye, Angle: 45}}
	n.Segments[4].Pieces = []Piece{{Kind: Wye, Angle: 45}}
	n.Segments[4].Flexible, n.Segments[4].Roughness = true, StretchedHose
	return n
}

// readings are what a careful owner takes with each gate open alone: taps ahead of
// the wye and along the main, a velocity, the filter.
func readings(opens ...uint64) (out []Measure) {
	for i, open := range opens {
		out = append(out, Measure{Open: open, Segment: i, Quantity: StaticPressure}, Measure{Open: open, Segment: i, Quantity: MeanVelocity},
			Measure{Open: open, Segment: 2, Quantity: StaticPressure}, Measure{Open: open, Segment: 3, Quantity: StaticPressure}, Measure{Open: open, Quantity: FilterDrop})
	}
	if opens[0] == 1 { // behind the hose
		out = append(out, Measure{Open: 1, Segment: 4, Quantity: StaticPressure})
	}
	return out
}

// The factor of the part that is really off lies inside the stated interval in 90 %
// of the cases, and another part is hardly ever blamed.
func TestFitIsCalibrated(t *testing.T) {
	cases := 100
	if os.Getenv("KERFWIND_LONG") != "" {
		cases = 500
	}
	for _, noise := range []float64{0.02, 0.05} {
		r := rand.New(rand.NewSource(21))
		inside, wrong, named, unfit, told := 0, 0, 0, 0, 0
		for range cases {
			n := fitNetwork()
			ms := readings(1, 2)
			for i := range ms {
				ms[i].Error, ms[i].Value = noise, 1
			}
			// The truth: everything drawn from its guess, one part from a wide one.
			all := explanations(n, ms)
			f := &all[r.Intn(len(all))]
			z := make([]float64, len(f.model.unknowns))
			for j := range z {
				z[j] = r.NormFloat64()
			}
			truth := 0.0
			if f.Part != 0 {
				truth = f.model.unknowns[len(z)-1].Estimate.At(phi(z[len(z)-1]))
			}
			for i, x := range f.model.predict(z) {
				ms[i].Value = x * (1 + noise*r.NormFloat64())
			}
			d, err := Diagnose(n, ms)
			if err != nil {
				t.Fatal(err)
			}
			if b := d.Blamed(); b != nil {
				named++
				if b.Part != f.Part || fmt.Sprint(b.At) != fmt.Sprint(f.At) {
					wrong++
				}
			}
			if got := d.Find(f.Part, f.At...); f.Part == 0 {
				continue
			} else if told++; got.Low <= truth && truth <= got.High {
				inside++
			}
			if !d.Find(f.Part, f.At...).Fits {
				unfit++
			}
		}
		part := float64(inside) / float64(told)
		t.Logf("noise %g %%: inside in %.1f %% of %d, named in %d, wrongly in %d of %d, said not to fit in %d", noise*100, 100*part, told, named, wrong, cases, unfit)
		if part < 0.85 || part > 0.95 || float64(wrong) >= 0.05*float64(cases) || float64(unfit) > 0.03*float64(told) {
			t.Errorf("noise %g %%: inside in %.1f %%, wrong part in %d of %d, no fit in %d", noise*100, 100*part, wrong, cases, unfit)
		}
		if named < cases/10 {
			t.Errorf("only %d of %d are named", named, cases)
		}
	}
}

// Mistakes are not explained away: one reading that contradicts all others does
// not fit, and what no reading depends on is not told.
func TestFitRefuses(t *testing.T) {
	n := fitNetwork()
	ms := readings(1, 2)
	m := newModel(n, ms)
	for i, x := range m.predict(make([]float64, len(m.unknowns))) {
		ms[i].Value = x
	}
	ms[1].Value *= 2
	d, err := Diagnose(n, ms)
	if err != nil || d.Fits() || d.Blamed() != nil {
		t.Errorf("%v, fits %v, blames %+v", err, d.Fits(), d.Blamed())
	}
	ms[1].Value /= 2
	// A tap at the collector alone cannot tell fan from filter or hood.
	d, err = Diagnose(n, []Measure{{Open: 1, Segment: 3, Quantity: StaticPressure, Value: ms[3].Value * 0.9}})
	if err != nil || d.Blamed() != nil || !d.Fits() {
		t.Errorf("%v: one reading blames %+v", err, d.Blamed())
	}
	if d.Findings[0].Odds > 0.5 {
		t.Errorf("one reading tells %+v from all others", d.Findings[0])
	}
	// With B2 alone open the hose of B1 says nothing.
	d, err = Diagnose(n, ms[5:10])
	if err != nil || d.Find(HosePart).Left < 0.95 {
		t.Errorf("%v: %+v", err, d.Find(HosePart))
	}
	if _, err := Diagnose(n, nil); !errors.Is(err, ErrNoMeasure) {
		t.Error(err)
	}
}

// What made the readings is found, named, and its network gives them again.
func TestFitFindsWhatIsOff(t *testing.T) {
	for _, c := range []struct {
		part   Part
		factor float64
		change func(n *Network)
	}{
		{HosePart, 5, func(n *Network) { n.Segments[4].Roughness.Value *= 5 }},
		{FanPart, 0.62, func(n *Network) { n.Fan.PressureFactor.Value *= 0.62 }},
		{FilterPart, 4, func(n *Network) { n.Filter.Now.Value *= 4 }},
		{HoodPart, 5, func(n *Network) { n.Segments[1].Hood.Entry.Value *= 5 }},
		{BlockPart, 3, func(n *Network) {
			n.Segments[3].Pieces = append(n.Segments[3].Pieces, Piece{Kind: RawLoss, Loss: Exact(3)})
		}},
	} {
		n, ms := fitNetwork(), readings(1, 2)
		real := n.Clone()
		for _, u := range real.Unknowns() { // exactly the middle
			for _, e := range u.set {
				*e = Exact(e.Value)
			}
		}
		c.change(real)
		for i, e := range []*Estimate{&real.Segments[4].Roughness, &real.Fan.PressureFactor, &real.Filter.Now, &real.Segments[1].Hood.Entry} {
			if *e = Exact(e.Value); e.Value == 0 {
				t.Fatal(i)
			}
		}
		for i, x := range newModel(real, ms).predict(nil) {
			ms[i].Value = x
		}
		d, err := Diagnose(n, ms)
		if err != nil {
			t.Fatal(err)
		}
		f := d.Blamed()
		if f == nil || f.Part != c.part {
			t.Errorf("part %d times %g: %+v", c.part, c.factor, d.Findings[:2])
			continue
		}
		if f.Low > c.factor || f.High < c.factor || f.High-f.Low > 1.6*c.factor {
			t.Errorf("part %d times %g: %g (%g to %g)", c.part, c.factor, f.Factor, f.Low, f.High)
		}
		after := newModel(f.Network(), ms)
		for i, x := range after.predict(make([]float64, len(after.unknowns))) {
			within(t, fmt.Sprintf("part %d, reading %d", c.part, i), x, ms[i].Value, 0.1)
		}
	}
}

func BenchmarkDiagnose(b *testing.B) {
	n, ms := fitNetwork(), readings(1, 2)
	m := newModel(n, ms)
	for i, x := range m.predict(make([]float64, len(m.unknowns))) {
		ms[i].Value = x
	}
	for range b.N {
		if _, err := Diagnose(n, ms); err != nil {
			b.Fatal(err)
		}
	}
}

// Readings narrow the ranges: the truth stays inside them as often as before, and
// a reading that no guess allows is refused.
func TestGivenReadings(t *testing.T) {
	r := rand.New(rand.NewSource(9))
	inside, all := 0, 0
	var narrower float64
	const cases = 60
	for range cases {
		n := fitNetwork()
		e, err := NewEnsemble(n)
		if err != nil {
			t.Fatal(err)
		}
		real := n.Clone()
		for _, u := range real.Unknowns() {
			u.draw(r.NormFloat64())
		}
		ms := readings(1)[2:5]
		for i, x := range newModel(real, ms).predict(nil) {
			ms[i].Value = x * (1 + pressureNoise*r.NormFloat64())
		}
		g, err := e.Given(ms)
		if errors.Is(err, ErrContradict) { // once in a hundred
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		x, before, st := g.Solve(2), e.Solve(2), solve(t, real, 2)
		for i := range n.Segments {
			f, was := x.Flow(i), before.Flow(i)
			all++
			if f.Low <= st.Flow[i] && st.Flow[i] <= f.High {
				inside++
			}
			narrower += (f.High - f.Low) / (was.High - was.Low)
		}
	}
	if part := float64(inside) / float64(all); part < 0.7 || part > 0.9 {
		t.Errorf("%.1f %% inside the ranges", 100*part)
	}
	if narrower /= float64(all); narrower > 0.9 {
		t.Errorf("the readings leave %.2f of the ranges", narrower)
	}
	n := fitNetwork()
	e, _ := NewEnsemble(n)
	if _, err := e.Given([]Measure{{Open: 1, Segment: 3, Quantity: StaticPressure, Value: -9000}}); !errors.Is(err, ErrContradict) {
		t.Errorf("a pressure that the fan cannot make: %v", err)
	}
	// A change to the network keeps the rest as it was in each variant.
	c := n.Clone()
	c.Filter.Now = Exact(c.Filter.Now.Value)
	l, err := e.Like(c)
	if err != nil {
		t.Fatal(err)
	}
	if p := correlation(e.Solve(1).flow[0], l.Solve(1).flow[0]); p < 0.9 {
		t.Errorf("correlation %g with the filter known", p)
	}
}
