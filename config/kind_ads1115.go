package config

// The ADS1115: four inputs on I2C, a range that is chosen, no reference. Data
// sheet SBAS444.
var ads1115 = chipFacts{
	name: "ads1115", bus: i2cBus, inputs: 4, codes: 1 << 15,
	// 860 conversions a second for the chip, to 10 %, and none may be read twice; a
	// change of input costs two. So it is good for one channel.
	most: func(channels int) float64 {
		if channels == 1 {
			return 770
		}
		return 0
	},
	many:      "use one chip for each channel: four fit one bus, at address = 72, 73, 74 and 75",
	ranges:    []float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256},
	addresses: []busAddress{{0x48, "ground"}, {0x49, "VDD"}, {0x4a, "SDA"}, {0x4b, "SCL"}}, // SBAS444E, table 4
	pins: []Pin{
		{Name: "VDD", Signal: ToSupply},
		{Name: "GND", Signal: ToText, Text: "ground"},
		{Name: "SCL", Signal: ToSCL},
		{Name: "SDA", Signal: ToSDA},
		{Name: "ADDR", Signal: ToAddress},
		{Name: "ALRT", Signal: ToText, Text: "open"},
		{Name: "A0", Signal: ToInput, Input: 0},
		{Name: "A1", Signal: ToInput, Input: 1},
		{Name: "A2", Signal: ToInput, Input: 2},
		{Name: "A3", Signal: ToInput, Input: 3},
	},
	parts: []Part{
		{1, "ADS1115 converter", ""},
		{1, "capacitor 100 nF, ceramic", "at the converter's supply pin"},
	},
	note: "Keep every input between ground and the chip's supply, whatever the range.",
}
