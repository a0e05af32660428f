package ductview

import (
	"bytes"
	"testing"

	"kerfwind/config"
	"kerfwind/control/duct"
)

// Whatever is asked, the answer is a study that can be reported on, or an error.
func FuzzWhatIf(f *testing.F) {
	for _, s := range []string{"B1.diameter=5 in", "B1.length=-3 m; filter=loaded", "fan=0 cfm @ 1 in.wg, 9 cfm @ 0 Pa", "plate=1 cfm @ 1 Pa", "B1.opening=1 %", "mains=50 Hz", "=;=;.", "B1.loss=1e300", "relief=T1 @ 4 in; second=series", "cupboard=8 in; outdoors=6 in", "B1.elbows=2; B1.elbows=-1; B1.wye=30 deg; B1.hood=saw"} {
		f.Add(s)
	}
	shop, err := config.LoadPlan(ducts + "reference.toml")
	if err != nil {
		f.Fatal(err)
	}
	s, err := New(shop.Name, shop.Units, shop.Duct())
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, changes string) {
		o, err := s.WhatIf(changes)
		if err != nil {
			return
		}
		var b bytes.Buffer
		if _, err := s.WriteWhatIf(&b, []uint64{1}, []*Study{o}); err != nil {
			t.Error(err)
		}
	})
}

func FuzzParseMeasure(f *testing.F) {
	for _, s := range []string{"open=B1; at=T3; pressure=-8 inH2O", "open=none;at=B1;velocity=1 m/s", ";;=", "open=,,"} {
		f.Add(s)
	}
	shop, err := config.LoadPlan(ducts + "reference.toml")
	if err != nil {
		f.Fatal(err)
	}
	s, err := New(shop.Name, shop.Units, shop.Duct())
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text string) {
		m, err := s.ParseMeasure(text)
		if err == nil && (m.Segment < 0 && m.Quantity != duct.FilterDrop || m.Quantity == 0 || m.Value == 0) {
			t.Errorf("%q is taken as %+v", text, m)
		}
	})
}
