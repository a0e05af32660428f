package config

import "slices"

// The MCP3208 and the MCP3008: eight inputs on SPI, a reference of their own.
// Data sheets DS21298 and DS21295.

// mcpBusy is the time of one conversion and its transfer, s; SPI at 1 MHz,
// computed.
const mcpBusy = 45e-6

var mcp3208 = mcp("mcp3208", "MCP3208", 1<<12)
var mcp3008 = mcp("mcp3008", "MCP3008", 1<<10)

func mcp(name, mark string, codes float64) chipFacts {
	var pins []Pin
	for n := range 8 {
		pins = append(pins, Pin{Number: n + 1, Name: "CH" + string(rune('0'+n)), Signal: ToInput, Input: n})
	}
	return chipFacts{
		name: name, bus: spiBus, inputs: 8, codes: codes,
		most:     func(channels int) float64 { return 0.95 / (mcpBusy * float64(channels)) },
		many:     "write a lower rate, or use fewer channels",
		numbered: "Pin numbers are those of the 16-pin dual in-line package (data sheets DS21298 and DS21295).",
		pins: slices.Concat(pins, []Pin{
			{Number: 9, Name: "DGND", Signal: ToText, Text: "ground"},
			{Number: 10, Name: "CS/SHDN", Signal: ToSelect},
			{Number: 11, Name: "DIN", Signal: ToData},
			{Number: 12, Name: "DOUT", Signal: FromData},
			{Number: 13, Name: "CLK", Signal: ToClock},
			{Number: 14, Name: "AGND", Signal: ToText, Text: "ground"},
			{Number: 15, Name: "VREF", Signal: ToReference},
			{Number: 16, Name: "VDD", Signal: ToSupply},
		}),
		parts: []Part{
			{1, mark + " converter", ""},
			{1, "capacitor 100 nF, ceramic", "at the converter's supply pin"},
			{1, "capacitor 10 uF", "at the converter's reference"},
			{1, "resistor 10 ohm", "from 3.3 V to the converter: keeps the computer's noise out"},
		},
	}
}
