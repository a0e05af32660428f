package drive

import "time"

// Hardware opens lines and buses. Kernel is the real one; tests have their own.
// The methods may be called at the same time.
type Hardware interface {
	// Output requests a line as an output that is off from the first instant.
	Output(l Line, activeLow bool, user string) (Output, error)
	// Input requests a line with a pull-up, debounced, and listens to it.
	Input(l Line, debounce time.Duration, user string) (Input, error)
	// Bus opens an I2C bus by its device file.
	Bus(device string) (Bus, error)
}

// Output is a line that is driven. It is never read: some drivers turn the
// line round for that.
type Output interface {
	Set(on bool) error
	Close() error
}

// Input is a dry contact on a line.
type Input interface {
	// Closed reads the contact.
	Closed() (bool, error)
	// Next waits for the next change and tells how long ago it happened. Close
	// ends it with an error.
	Next() (closed bool, ago time.Duration, err error)
	Close() error
}

// Bus is an I2C bus.
type Bus interface {
	// Tx writes w, then reads into r, in one transaction. It may hang for as
	// long as the kernel lets it.
	Tx(addr uint16, w, r []byte) error
	Close() error
}
