package duct

import "math"

// Physical constants.
const (
	// StandardDensity is 0.075 lb/ft³ in kg/m³, the standard air of fan curves.
	StandardDensity = 1.2014
	// viscosity is that of air at 20 °C in Pa·s (textbook table, from memory). It
	// depends on temperature (+0.2 % a kelvin) and not on pressure, so it is kept
	// where density changes.
	viscosity = 1.825e-5

	standardPressure    = 101325.0 // Pa
	standardTemperature = 294.3    // K, 70 °F
	zeroCelsius         = 273.15
	viscosityPerKelvin  = 0.0026 // relative, about 20 °C (Sutherland's law)
)

// Air is the state of the air in the duct. The zero value is standard air.
type Air struct {
	Density  float64 // kg/m³; 0 = from altitude and temperature
	Altitude float64 // m above sea level
	// Celsius is the air's temperature; it counts only if HasCelsius.
	Celsius    float64
	HasCelsius bool
}

// density returns kg/m³. Without a given figure it is dry air of the standard
// atmosphere: ρ = 1.2014·(p/101325)·(294.3/T), p = 101325·(1−2.25577e-5·h)^5.2559
// (formula seen in rdrr.io/github/jinlee86 bar_press).
func (a Air) density() float64 {
	if a.Density > 0 {
		return a.Density
	}
	p := standardPressure * math.Pow(1-2.25577e-5*a.Altitude, 5.2559)
	return StandardDensity * (p / standardPressure) * (standardTemperature / a.kelvin())
}

func (a Air) kelvin() float64 {
	if a.HasCelsius {
		return a.Celsius + zeroCelsius
	}
	return standardTemperature
}

// viscosity returns Pa·s.
func (a Air) viscosity() float64 {
	if !a.HasCelsius {
		return viscosity
	}
	return viscosity * (1 + viscosityPerKelvin*(a.Celsius-20))
}

// Rho returns the density in kg/m³ that the solver uses.
func (a Air) Rho() float64 { return a.density() }
