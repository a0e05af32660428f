// Package upkeep reckons what wears and fills: how full the bin is, what is
// due, and what the collector's own current says of filter and ducts. It does
// no I/O and reads no clock; the journal stores what it works on.
package upkeep

import (
	"fmt"
	"time"
)

// Unit is the unit an item counts in.
type Unit uint8

// The units.
const (
	Hours Unit = iota + 1 // of a machine, of all machines, or of the collector
	Moves                 // of a gate
)

// String is the unit's name in files and tables.
func (u Unit) String() string {
	switch u {
	case Hours:
		return "h"
	case Moves:
		return "moves"
	}
	return "invalid"
}

// Amount writes a count with its unit, for people. Little is not shown as
// nothing.
func (u Unit) Amount(x float64) string {
	switch {
	case u == Moves && x == 1:
		return "1 move"
	case u == Moves:
		return fmt.Sprintf("%.0f moves", x)
	case x > 0 && x < 1:
		return fmt.Sprintf("%.0f min", 60*x)
	}
	return fmt.Sprintf("%.1f h", x)
}

// Item is one thing that wears, fills or wants looking at.
type Item struct {
	Name  string
	Of    string // what is counted: a machine, a gate, "the collector", "all machines"
	Unit  Unit
	Used  float64 // since it was last reset
	Every float64 // due after this; 0 is not known
	Rate  float64 // a day, over the last weeks; 0 is not known
	Since time.Time
	Sure  bool  // Since's date is sure
	Reset int64 // number of the reset that it counts from; 0 none
	Full  bool  // the bin's own sensor says so
}

// Due reports whether the item is due.
func (it *Item) Due() bool { return it.Full || it.Every > 0 && it.Used >= it.Every }

// Part is how much of Every is used, 0 if that is not known.
func (it *Item) Part() float64 {
	if it.Every <= 0 {
		return 0
	}
	return it.Used / it.Every
}

// Days is in how many days the item falls due at its rate, if that is known
// and less than two years.
func (it *Item) Days() (float64, bool) {
	if it.Due() {
		return 0, true
	}
	if it.Every <= 0 || it.Rate <= 0 {
		return 0, false
	}
	d := (it.Every - it.Used) / it.Rate
	return d, d < 730
}

// fillings that count for the bin's size.
const fillings = 5

// leastFilling, in machine hours: sooner after an emptying the bin was not
// full, somebody has emptied it again or pressed twice (common practice, no
// source).
const leastFilling = 0.1

// BinHours is how many machine hours fill the bin: the median of its last five
// fillings, oldest first. What a filling is: from one emptying to the sensor's
// "full", or to the next emptying where there is no sensor.
func BinHours(full []float64) (hours float64, ok bool) {
	var all []float64
	for _, h := range full {
		if h >= leastFilling {
			all = append(all, h)
		}
	}
	if len(all) == 0 {
		return 0, false
	}
	return median(all[max(0, len(all)-fillings):]), true
}

// Tally holds what the history has counted.
type Tally struct {
	Machines  map[string]Count // by name; one that never ran is not in it
	Collector Count
	Items     []Item // what wears and fills
}

// Count counts a machine, or the collector.
type Count struct {
	Hours float64 // that it has run, ever
	Today int     // runs that ended today; of the collector: starts
}
