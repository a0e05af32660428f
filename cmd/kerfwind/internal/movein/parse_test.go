package movein

import (
	"strings"
	"testing"
)

func TestParseSupply(t *testing.T) {
	for text, want := range map[string]string{
		"230 V 50 Hz": "230 V 50 Hz", "120/240 V 60 Hz": "120/240 V 60 Hz", "240V 60Hz": "240 V 60 Hz",
	} {
		if s, err := parseSupply(text); err != nil || s.String() != want {
			t.Errorf("%q: %v, %v", text, s, err)
		}
	}
	for text, want := range map[string]string{"": "is not a supply", "230": "is not a supply", "110/240 V 60 Hz": "half the voltage", "120/ V 60 Hz": "is not a supply", "x/240 V 60 Hz": "half the voltage"} {
		if _, err := parseSupply(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// A plate that cannot be read as typed is no plate that does not fit.
func TestPlateMistyped(t *testing.T) {
	_, err := new(Session).checkRated("planer", "230")
	if err == nil || !strings.Contains(err.Error(), "is not a supply") || strings.Contains(err.Error(), "leave it out") {
		t.Error(err)
	}
}

func TestParseCircuits(t *testing.T) {
	list, err := parseCircuits("north wall 20 A; bench 16A 230 V L1; loft 2 25 A 400V; pump 10 A L1-L2")
	want := []circuit{{"north wall", 20, 0, ""}, {"bench", 16, 230, "L1"}, {"loft 2", 25, 400, ""}, {"pump", 10, 0, "L1-L2"}}
	if err != nil || len(list) != len(want) {
		t.Fatalf("%+v, %v", list, err)
	}
	for i := range want {
		if list[i] != want[i] {
			t.Errorf("%+v, want %+v", list[i], want[i])
		}
	}
	for text, want := range map[string]string{
		"": "write", "20 A": "write a name", "wall": "its breaker's rating", "wall 20": "its breaker's rating", "wall 900 A": "1 A to 400 A",
		"wall 20 A 12 V": "90 V to 500 V", "wall 20 A; wall 16 A": "two circuits", "none 20 A": "the name none",
	} {
		if _, err := parseCircuits(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

func TestParsePiece(t *testing.T) {
	var s Session
	p, err := s.parsePiece("4 in, 12 ft 6 in, 2 elbows, hose, rise 3 ft, M2")
	if err != nil || p.kind != "hose" || p.elbows != 2 || p.to != 2 || p.diameter < 0.1 || p.length < 3.8 || p.rise < 0.9 {
		t.Errorf("%+v, %v", p, err)
	}
	if p, err = s.parsePiece("100 mm, 2 m"); err != nil || p.kind != "smooth" || p.to != 0 {
		t.Errorf("%+v, %v", p, err)
	}
	for text, want := range map[string]string{
		"": "then the length", "4 in": "then the length", "4 in, 3 ft, 5 ft": "then the length", "4 in, 3 ft, bent": "write diameter", "5 ft, 4 in": "20 mm to 1 m",
		"4 in, 200 m": "up to 100 m", "4 in, 3 ft, rise 5 ft": "rise more", "4 in, 3 ft, 50 elbows": "20 elbows", "4 in, 3 ft, Mx": "write M1",
	} {
		if _, err := s.parsePiece(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

func TestParseLevels(t *testing.T) {
	if a, b, err := parseLevels("2.1 A 800 mA"); err != nil || a != 2.1 || b != 0.8 {
		t.Errorf("%v, %v, %v", a, b, err)
	}
	for _, text := range []string{"", "2.1", "A", "2 A", "x A 2 A"} {
		if _, _, err := parseLevels(text); err == nil {
			t.Errorf("%q was taken", text)
		}
	}
}
