package config

import (
	"fmt"
	"strconv"
	"time"
)

// A gate or an outlet that is told over a broker what to do.
var onTopic = actuatorFacts{
	name: "topic", need: []string{"topic"}, may: []string{"on", "off", "state", "stale"},
	defaults: map[string]string{"on": strconv.Quote(defOn), "off": strconv.Quote(defOff), "stale": strconv.Quote(FormatDuration(defStale))},
	serves:   []Use{ForGate, ForOutlet},
	check:    checkTopic,
	describe: func(a *Actuator) string {
		state := ""
		if a.State != "" {
			state = fmt.Sprintf(", which says on %s where it is (unknown after %s)", a.State, FormatDuration(a.Stale))
		}
		return fmt.Sprintf("Topic %s: %s, told %s or %s%s", a.Name, a.Topic, a.On, a.Off, state)
	},
	end:       func(*Actuator, func(string, int) string) string { return "topic" },
	reversing: "swap on and off of its actuator in the rig file",
	hang:      "what is told over topics stays as it is",
	halt:      "is on a topic and was not told: if it switches an outlet, it stays on until kerfwind starts again",
}

// Defaults of an actuator on a topic.
const (
	defOn    = "ON"
	defOff   = "OFF"
	defStale = 5 * time.Minute
)

// checkTopic reads the words of an actuator on a topic.
func checkTopic(a *rawActuator, f *file, out *Actuator, lines *wires) {
	who := f.tableName(a.path)
	if a.Topic != nil {
		f.isTopic(a.key("topic"), who, *a.Topic)
		lines.take(f, a.key("topic"), "topic "+*a.Topic, "one topic tells one output")
	}
	if out.On == out.Off {
		f.add(a.key("on"), who+": on and off are the same word", "write what is published for each")
	}
	if a.Stale != nil && a.State == nil {
		f.add(a.key("stale"), who+": stale is about its state, and no topic tells that", "add the topic: state = \"…\", or take stale out")
	}
	if a.State != nil {
		f.isTopic(a.key("state"), who, *a.State)
		if a.Topic != nil && *a.State == *a.Topic {
			f.add(a.key("state"), who+": it would read its own commands as its state", "write the topic on which the device itself reports")
		}
	}
}
