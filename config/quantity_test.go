package config_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"kerfwind/config"
)

// Expected values: the definitions of the units (1 in = 25.4 mm, 1 ft = 12 in,
// 1 lb = 0.45359237 kg, 0 °C = 273.15 K), and for the rest the conversions at
// engineeringtoolbox.com "ductwork friction loss" (1 in.wg = 248.8 Pa,
// 1 cfm = 1.7 m³/h, 1 fpm = 0.00508 m/s) to the digits given there.
func TestParse(t *testing.T) {
	for _, c := range []struct {
		q    config.Quantity
		text string
		want float64
		tol  float64 // relative
	}{
		{config.Length, "4 in", 0.1016, 1e-12},
		{config.Length, "4in", 0.1016, 1e-12},
		{config.Length, " 12 ft 6 in ", 3.81, 1e-12},
		{config.Length, "3.6 m", 3.6, 1e-12},
		{config.Length, "100 mm", 0.1, 1e-12},
		{config.Length, "-500 m", -500, 1e-12},
		{config.Flow, "900 m3/h", 0.25, 1e-12},
		{config.Flow, "1 cfm", 1.7 / 3600, 1e-3},
		{config.Flow, "30 L/s", 0.03, 1e-12},
		{config.Pressure, "1 inH2O", 248.8, 2e-4},
		{config.Pressure, "6 in wg", 1493, 1e-3},
		{config.Pressure, "1.5 kPa", 1500, 1e-12},
		{config.Velocity, "1 fpm", 0.00508, 1e-12},
		{config.Velocity, "4000 ft/min", 20.32, 1e-12},
		{config.Current, "600 mA", 0.6, 1e-12},
		{config.Voltage, "1.65 V", 1.65, 1e-12},
		{config.Power, "2 hp", 1491.4, 1e-4}, // NEC practice: 746 W a horsepower
		{config.Power, "1.5 kW", 1500, 1e-12},
		{config.Resistance, "22 ohm", 22, 1e-12},
		{config.Resistance, "4.7 kΩ", 4700, 1e-12},
		{config.Frequency, "60 Hz", 60, 1e-12},
		{config.Rate, "2 kS/s", 2000, 1e-12},
		{config.Rate, "1 kHz", 1000, 1e-12},
		{config.Time, "1 h 30 min", 5400, 1e-12},
		{config.Time, "400 ms", 0.4, 1e-12},
		{config.Time, "1e-3 s", 0.001, 1e-12},
		{config.Temperature, "20 °C", 293.15, 1e-12},
		{config.Temperature, "-40 °F", 233.15, 1e-12},
		{config.Temperature, "70 F", 294.261, 1e-5},
		{config.Angle, "45 deg", math.Pi / 4, 1e-12},
		{config.Density, "0.075 lb/ft3", 1.2014, 1e-4}, // ASHRAE standard air
		{config.Share, "1.5 %", 0.015, 1e-12},
	} {
		got, err := config.Parse(c.q, c.text)
		if err != nil || math.Abs(got-c.want) > c.tol*math.Abs(c.want) {
			t.Errorf("Parse(%q) = %v, %v; want %v", c.text, got, err, c.want)
		}
	}
}

func TestParseErrors(t *testing.T) {
	for _, c := range []struct {
		q          config.Quantity
		text, want string
	}{
		{config.Length, "4", `"4" has no unit: write "3.6 m" or "12 ft"`},
		{config.Length, "", `nothing is written where a length should be: write "3.6 m" or "12 ft"`},
		{config.Length, "four inches", `"four inches" is not a length: write "3.6 m" or "12 ft"`},
		{config.Length, "4 ms", `"4 ms" is a time, not a length: write "3.6 m" or "12 ft"`},
		{config.Length, "4 IN", `"4 IN": "IN" is not a unit of length: write "3.6 m" or "12 ft"; did you mean "4 in"?`},
		{config.Length, "6 in 12 ft", `"6 in 12 ft" is not a length: write "3.6 m" or "12 ft"`},
		{config.Length, "4 in 4 in", `"4 in 4 in" is not a length: write "3.6 m" or "12 ft"`},
		{config.Length, "12 ft -6 in", `"12 ft -6 in" is not a length: write "3.6 m" or "12 ft"`},
		{config.Length, "1e400 m", `"1e400 m" is not a length: write "3.6 m" or "12 ft"`},
		{config.Time, "1e308 h", `"1e308 h" is too large: write "400 ms", "8 s" or "20 min"`},
		{config.Length, "NaN m", `"NaN m" is not a length: write "3.6 m" or "12 ft"`},
		{config.Length, "0x10 m", `"0x10 m": "x10 m" is not a unit of length: write "3.6 m" or "12 ft"`},
		{config.Current, "8 A 300 mA", `"8 A 300 mA" is not a current: write "8 A" or "600 mA"`},
		{config.Time, "1,5 s", `"1,5 s" is not a time: write decimals with a point: "400 ms", "8 s" or "20 min"`},
		{config.Time, "10 mins", `"10 mins": "mins" is not a unit of time: write "400 ms", "8 s" or "20 min"; did you mean "10 min"?`},
	} {
		_, err := config.Parse(c.q, c.text)
		var qe *config.QuantityError
		if !errors.As(err, &qe) {
			t.Errorf("Parse(%q): %v", c.text, err)
			continue
		}
		if err.Error() != c.want {
			t.Errorf("Parse(%q):\ngot  %s\nwant %s", c.text, err, c.want)
		}
	}
}

func TestParseDuration(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"400 ms": 400 * time.Millisecond, "8 s": 8 * time.Second, "20 min": 20 * time.Minute, "1 h 30 min": 90 * time.Minute,
		"0.1 s": 100 * time.Millisecond, "250 us": 250 * time.Microsecond, "-2 s": -2 * time.Second, "-1 min 30 s": -90 * time.Second,
	} {
		if got, err := config.ParseDuration(text); err != nil || got != want {
			t.Errorf("ParseDuration(%q) = %v, %v; want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"8", "8 A", "1e12 h"} {
		if got, err := config.ParseDuration(text); err == nil {
			t.Errorf("ParseDuration(%q) = %v, want an error", text, got)
		}
	}
}

func TestParseRatio(t *testing.T) {
	for text, want := range map[string]config.Ratio{
		"30 A : 1 V":    {Primary: 30, Secondary: 1},
		"100 A : 50 mA": {Primary: 100, Secondary: 0.05, IsCurrent: true},
		"5A:333mV":      {Primary: 5, Secondary: 0.333},
	} {
		got, err := config.ParseRatio(text)
		if err != nil || got.Primary != want.Primary || math.Abs(got.Secondary-want.Secondary) > 1e-12 || got.IsCurrent != want.IsCurrent {
			t.Errorf("ParseRatio(%q) = %+v, %v; want %+v", text, got, err, want)
		}
		if again, err := config.ParseRatio(got.String()); err != nil || again != got {
			t.Errorf("%q is written as %q and read as %+v, %v", text, got, again, err)
		}
	}
	for _, text := range []string{"", "30 A", "1 V : 30 A", "0 A : 1 V", "30 A : 0 V", "-30 A : 1 V", "30 A : 1 W"} {
		if got, err := config.ParseRatio(text); err == nil {
			t.Errorf("ParseRatio(%q) = %+v, want an error", text, got)
		}
	}
}

func TestFormat(t *testing.T) {
	for _, c := range []struct {
		u    config.Units
		q    config.Quantity
		v    float64
		want string
	}{
		{config.Imperial, config.Length, 0.1016, "4 in"},
		{config.Imperial, config.Length, 3.6576, "12 ft"},
		{config.Metric, config.Length, 0.1016, "101.6 mm"},
		{config.Metric, config.Length, 3.6, "3.6 m"},
		{config.Imperial, config.Flow, 0.25, "529.7 cfm"},
		{config.Metric, config.Flow, 0.25, "900 m3/h"},
		{config.Imperial, config.Velocity, 20.32, "4000 ft/min"},
		{config.Metric, config.Velocity, 20.32, "20.32 m/s"},
		{config.Imperial, config.Pressure, 2488.4, "10 inH2O"},
		{config.Metric, config.Current, 0.02417, "24.17 mA"},
		{config.Metric, config.Current, 0.6, "0.6 A"},
		{config.Imperial, config.Temperature, 293.15, "68 °F"},
		{config.Metric, config.Power, 1491.4, "1.491 kW"},
		{config.Metric, config.Rate, 400, "400 Hz"},
		{config.Metric, config.Time, 5400, "1 h 30 min"},
		{config.Metric, config.Time, 0.9, "900 ms"},
		{config.Metric, config.Time, 0, "0 s"},
		{config.Metric, config.Time, 0.00025, "250 us"},
	} {
		if got := c.u.Format(c.q, c.v); got != c.want {
			t.Errorf("Format(%v, %v) = %q, want %q", c.q, c.v, got, c.want)
		}
	}
}

// What is read is finite; written and read again it is the same to four figures.
func FuzzParse(f *testing.F) {
	for q := config.Length; q <= config.Share; q++ {
		for _, text := range []string{"4 in", "12 ft 6 in", "-40 °F", "1e-3 s", "900 m3/h", "8", "8 A", "1 h 30 min", "3,6 m", "0x1 m", "1.5 %"} {
			f.Add(uint8(q), text)
		}
	}
	f.Fuzz(func(t *testing.T, n uint8, text string) {
		q := config.Quantity(n)
		if q < config.Length || q > config.Share {
			return
		}
		v, err := config.Parse(q, text)
		if err != nil {
			if strings.TrimSpace(err.Error()) == "" {
				t.Fatal("an error without words")
			}
			return
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("%q is %v", text, v)
		}
		if math.Abs(v) > 1e9 || math.Abs(v) < 1e-6 {
			return // beyond what Format is for
		}
		for _, u := range []config.Units{config.Metric, config.Imperial} {
			again, err := config.Parse(q, u.Format(q, v))
			if err != nil || math.Abs(again-v) > 1e-3*math.Abs(v)+1e-6 {
				t.Fatalf("%q is %v, written as %q, read as %v, %v", text, v, u.Format(q, v), again, err)
			}
		}
	})
}
