package config

// The raw keys about air: what the pieces of a duct, a gate, a machine and the
// collector do to it. See decode.go for the tags. Losses are in velocity
// pressures of the duct that they stand in.

// rawDuctAir is the part of a duct that only the airflow needs.
type rawDuctAir struct {
	Roughness *float64    `toml:"roughness" q:"length" min:"0" max:"20 mm"`
	Ribs      *float64    `toml:"ribs" q:"length" min:"0" max:"20 mm"` // of a hose: how far they stand out inside
	Elbow     []rawElbow  `toml:"elbow"`
	Reducer   *rawReducer `toml:"reducer"` // at the upstream end
	Hood      *rawHood    `toml:"hood"`    // where it has an open end
}

// rawElbow is one kind of elbow, or several alike.
type rawElbow struct {
	at
	Angle  float64  `toml:"angle" def:"90 deg" q:"angle" min:"1 deg" max:"180 deg"`
	Radius *float64 `toml:"radius" q:"length" min:"1 mm" max:"5 m"` // of the centre line; nil: 1.5 diameters
	Pieces int      `toml:"pieces" def:"0" min:"0" max:"20"`        // 0 smooth, 2 one mitre, 3 and more gored
	Loss   *float64 `toml:"loss" min:"0" max:"100"`                 // instead of radius and pieces
	Count  int      `toml:"count" def:"1" min:"1" max:"20"`
}

type rawReducer struct {
	at
	From  float64  `toml:"from" need:"1" q:"length" min:"20 mm" max:"1 m"`
	Taper float64  `toml:"taper" def:"0 deg" q:"angle" min:"0" max:"180 deg"` // the whole angle of the cone; 0 a step
	Loss  *float64 `toml:"loss" min:"0" max:"100"`                            // instead of what follows from the two
}

// rawHood is where the air enters.
type rawHood struct {
	at
	Kind *string  `toml:"kind" one:"plain,flanged,bell,straight,tapered,jointer,thicknesser,saw"`
	Loss *float64 `toml:"loss" min:"0" max:"100"` // of the entry, velocity pressures of the port
	Port *float64 `toml:"port" q:"length" min:"15 mm" max:"1 m"`
	Flow *float64 `toml:"flow" q:"flow" min:"10 m3/h" max:"10000 m3/h"`
}

// rawMachineAir says what a machine's chips ask of the air.
type rawMachineAir struct {
	Transport *float64 `toml:"transport" q:"velocity" min:"5 m/s" max:"60 m/s"` // nil: as air.transport
}

// rawCollectorAir says what the collector does to the air. The fan is given by
// points of its curve, or by its plate, or guessed from its power.
type rawCollectorAir struct {
	Fan          []rawFanPoint `toml:"fan"`
	FreeFlow     *float64      `toml:"free_flow" q:"flow" min:"50 m3/h" max:"50000 m3/h"`
	ShutOff      *float64      `toml:"shut_off" q:"pressure" min:"100 Pa" max:"20 kPa"`
	FanFrequency *float64      `toml:"fan_frequency" q:"frequency" min:"45 Hz" max:"65 Hz"` // nil: as the mains
	FanDensity   *float64      `toml:"fan_density" q:"density" min:"0.5 kg/m3" max:"2 kg/m3"`
	Filter       *rawFilter    `toml:"filter"`
	Separator    *rawSeparator `toml:"separator"`
	Leakage      *float64      `toml:"leakage" q:"length" min:"0" max:"300 mm"` // diameter of one hole as large as all cracks
}

type rawFanPoint struct {
	at
	Flow     float64 `toml:"flow" need:"1" q:"flow" min:"0" max:"50000 m3/h"`
	Pressure float64 `toml:"pressure" need:"1" q:"pressure" min:"0" max:"20 kPa"`
}

// rawFilter is the loss of the cloth at one flow.
type rawFilter struct {
	at
	Flow   float64  `toml:"flow" need:"1" q:"flow" min:"10 m3/h" max:"50000 m3/h"`
	Clean  float64  `toml:"clean" need:"1" q:"pressure" min:"0" max:"5 kPa"`
	Loaded *float64 `toml:"loaded" q:"pressure" min:"0" max:"10 kPa"` // nil: it does not change
	Now    *float64 `toml:"now" q:"share" min:"0" max:"100 %"`        // 0 clean, 100 % loaded; nil: somewhere between
}

// rawSeparator is the loss of a cyclone or a drum at one flow.
type rawSeparator struct {
	at
	Flow     float64 `toml:"flow" need:"1" q:"flow" min:"10 m3/h" max:"50000 m3/h"`
	Pressure float64 `toml:"pressure" need:"1" q:"pressure" min:"0" max:"10 kPa"`
}

// rawAir is the air of the place, and what is asked of it.
type rawAir struct {
	at
	Altitude    *float64   `toml:"altitude" q:"length" min:"-500 m" max:"5000 m"`
	Temperature *float64   `toml:"temperature" q:"temperature" min:"-30 °C" max:"60 °C"`
	Density     *float64   `toml:"density" q:"density" min:"0.5 kg/m3" max:"2 kg/m3"`
	Transport   *float64   `toml:"transport" q:"velocity" min:"5 m/s" max:"60 m/s"`
	Slip        *float64   `toml:"slip" min:"0.1" max:"1"`                       // speed of chips over that of the air
	Settle      *float64   `toml:"settle" q:"velocity" min:"0 m/s" max:"20 m/s"` // of chips in a riser
	Expansion   *bool      `toml:"expansion"`                                    // nil: true. false: no loss that is not written
	Together    [][]string `toml:"together"`                                     // machines that run at the same time
	Purge       bool       `toml:"purge" def:"false"`                            // lift lying chips in a run-on

	Measured []rawMeasured `toml:"measured"`
}

// rawMeasured is a reading in the shop: one figure.
type rawMeasured struct {
	at
	Open     []string `toml:"open" need:"1"` // gates
	Duct     *string  `toml:"duct"`          // of pressure and velocity
	Pressure *float64 `toml:"pressure" q:"pressure" min:"-20 kPa" max:"20 kPa"`
	Velocity *float64 `toml:"velocity" q:"velocity" min:"1 m/s" max:"100 m/s"`
	Filter   *float64 `toml:"filter" q:"pressure" min:"1 Pa" max:"10 kPa"`
	Within   *float64 `toml:"within" q:"share" min:"0.1 %" max:"50 %"` // nil: 2 % of a pressure, 5 % of a velocity
	Date     *string  `toml:"date"`
	Of       *string  `toml:"of"` // the mark of the ducts; nil: of those in the file
}
