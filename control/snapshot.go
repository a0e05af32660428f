package control

import "time"

// Snapshot is the whole state for people to look at. It is a copy: nobody
// changes it after Core.Snapshot has returned it.
type Snapshot struct {
	At         time.Duration
	StoodDown  bool
	ShopClosed bool
	Latched    bool // a stop input acted, or the collector took no current: a local act lifts it
	BinFull    bool
	Machines   []MachineView
	Gates      []GateView
	Collectors []CollectorView
	Outlets    []OutletView
	Circuits   []Load
	Stops      []Contact
	Faults     []FaultView
}

// Why is the reason for a state: "router stopped, duct clear in 6 s" is
// {ByRunOn, router, 6 s from At}.
type Why struct {
	Cause   Cause
	Machine ID            // the machine that causes it; NoID none
	Until   time.Duration // when this reason ends by itself; 0 open-ended
}

// MachineView is the state of a machine.
type MachineView struct {
	Sensed Verdict       // what the sensor says
	Run    bool          // a run is on (also while its sensor is lost, until the hold ends)
	Since  time.Duration // since when Run has its value
	RunOn  time.Duration // end of the run-on; 0 none
	Served bool          // a whole path to each of its hoods is open and the collector is on
	Why    Why
}

// GateView is the state of a gate.
type GateView struct {
	Position Position
	Shown    Shown         // what its switches show; 0 nothing yet
	Wanted   bool          // to be open
	Held     time.Duration // end of the hold; 0 none
	Fault    FaultKind
	Why      Why
}

// Position is what is believed of a gate.
type Position uint8

// The positions.
const (
	PositionUnknown Position = iota
	PositionOpen
	PositionShut
	PositionOpening
	PositionShutting
)

var positionNames = [...]string{PositionUnknown: "unknown", PositionOpen: "open", PositionShut: "shut", PositionOpening: "opening", PositionShutting: "closing"}

// String names the position in one word.
func (p Position) String() string { return name(positionNames[:], int(p)) }

// CollectorView is the state of a collector.
type CollectorView struct {
	Commanded  bool          // on
	Sensed     Verdict       // its feedback; 0 it has none
	Since      time.Duration // since when Commanded has its value
	Switch     Selector
	StartsLeft int           // in the budget's window; -1 no budget
	NextStart  time.Duration // when StartsLeft next grows; 0 it is full
	Fault      FaultKind
	Why        Why
}

// OutletView is the state of an outlet.
type OutletView struct {
	Commanded bool
	RunOn     time.Duration // end of the run-on; 0 none
}

// FaultView is a fault that stands.
type FaultView struct {
	Fault FaultKind
	ID    ID
	Since time.Duration
}
