package socket

// Status is the state of the daemon and its shop, with words for people. Times
// are seconds of the stream unless a field says otherwise; 0 is "none".
type Status struct {
	Program   string  `json:"program"` // version
	PID       int     `json:"pid"`
	Shop      string  `json:"shop"`
	File      string  `json:"shop_file"` // "": none
	FileWhy   string  `json:"shop_why"`  // why it is that one
	Simulated bool    `json:"simulated,omitempty"`
	Page      string  `json:"page,omitempty"`   // its address
	T         float64 `json:"t"`                // since the shop was taken up
	Served    int     `json:"shops_taken_up"`   // since the start of the daemon, this one too: more than 1 after a reload
	Ready     bool    `json:"ready"`            // outputs are safe and the converters speak
	Running   int     `json:"machines_on"`      // machines that run
	Moving    bool    `json:"at_work"`          // not at rest: something runs, moves or is held
	StoodDown bool    `json:"stood_down"`       // nothing is commanded
	Latched   bool    `json:"latched"`          // a local act is wanted
	BinFull   bool    `json:"bin_full"`         //
	Closed    bool    `json:"closed"`           // out of hours
	Reload    string  `json:"reload,omitempty"` // why new files are not in force yet

	Collector Thing   `json:"collector"`
	StartsIn  int     `json:"starts_left"` // -1: no budget
	Machines  []Thing `json:"machines"`
	Gates     []Thing `json:"gates"`
	Outlets   []Thing `json:"outlets"`
	Faults    []Thing `json:"faults"`
	Parts     []Thing `json:"parts"` // journal, metrics and so on: how they fare

	Node *Node `json:"node,omitempty"` // this computer is a node; of the rest, Program, PID, Ready, Running, Moving and Reload hold
}

// Node is the state of a computer that senses and drives for another one.
type Node struct {
	Name    string  `json:"name"`
	State   string  `json:"state"`
	Why     string  `json:"why,omitempty"`     // nobody decides: what was wrong with the last plan
	Broker  bool    `json:"broker"`            // connected
	Decides string  `json:"decides,omitempty"` // names the start of the program that decides; "": none
	Shop    string  `json:"shop,omitempty"`    // its shop
	Order   float64 `json:"order_age"`         // seconds since its newest order; -1: there was none
	Rest    bool    `json:"rest"`              // the shop was at rest then
	Quiet   bool    `json:"quiet"`             // nothing is on, moves or runs here, and the shop is at rest
	Ready   bool    `json:"ready"`             // the converters speak
	Running int     `json:"machines_on"`       // machines that run, as far as it knows
	Reload  string  `json:"reload,omitempty"`  // why a new file is not in force yet
	Senses  []Thing `json:"senses"`
	Drives  []Thing `json:"drives"`
	Stops   []Thing `json:"stops"`
}

// Thing is one thing, what it does and why.
type Thing struct {
	Name  string  `json:"name"`
	State string  `json:"state"`
	Why   string  `json:"why,omitempty"`
	Until float64 `json:"until,omitempty"`
}
