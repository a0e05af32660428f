package scene

import (
	"kerfwind/control"
)

// FanState is the one state of the collector. The zero value is invalid.
type FanState uint8

// The states of the collector.
const (
	FanOff       FanState = iota + 1
	FanRuns               // commanded on, and seen to run
	FanCommanded          // commanded on; it cannot be seen on this rig
	FanRising             // commanded on, no current yet, in time
	FanNoCurrent          // commanded on and no current
	FanUnseen             // commanded on, and its sensor cannot be trusted
	FanStays              // commanded off, and still runs
	FanHand               // runs by its own switch
	FanMay                // not commanded, and may run
)

var fanNames = [...]string{"", "off", "runs", "commanded", "rising", "no-current", "unseen", "stays", "hand", "may"}

// String names the state in one word.
func (f FanState) String() string { return fanNames[f] }

// Fan is the collector in a scene.
type Fan struct {
	State FanState
	Word  string // the state, for people
}

// flow says whether the fan moves air.
func (f Fan) flow() Flow {
	switch f.State {
	case FanRuns, FanCommanded, FanStays, FanHand:
		return Moves
	case FanUnseen, FanMay:
		return Unsure
	case FanOff, FanRising, FanNoCurrent:
	}
	return Still
}

// fan never says off of one that draws current, and never running of one that
// cannot be seen.
func (in *In) fan() Fan {
	c := &in.Snap.Collector
	blind := c.Sensed == 0 && (in.Layout == nil || in.Layout.blind)
	switch {
	case c.Fault == control.CollectorStillOn:
		return Fan{FanStays, "STILL RUNNING, commanded off"}
	case c.Commanded && c.Sensed == control.Running:
		return Fan{FanRuns, "running"}
	case c.Commanded && blind:
		return Fan{FanCommanded, "commanded on"}
	case c.Commanded && c.Sensed == control.Idle && c.Fault == 0 && (in.Layout == nil || in.Now-c.Since < in.Layout.within):
		return Fan{FanRising, "commanded on"}
	case c.Commanded && c.Sensed == control.Idle:
		return Fan{FanNoCurrent, "commanded on, no current"}
	case c.Commanded:
		return Fan{FanUnseen, "commanded on, cannot be seen"}
	case c.Sensed == control.Running && c.Switch == control.Hand:
		return Fan{FanHand, "running by its own switch"}
	case c.Sensed == control.Running:
		return Fan{FanStays, "commanded off, still runs"}
	case c.Switch == control.Hand:
		return Fan{FanMay, "its switch is at hand"}
	case blind:
		return Fan{FanOff, "commanded off"}
	case c.Sensed == control.Idle:
		return Fan{FanOff, "off"}
	}
	return Fan{FanMay, "commanded off, cannot be seen"}
}
