package node

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/config"
)

// Host answers other commands on a node. It decides nothing.
type Host struct {
	seam.Refuses
	program string
	path    string // of the rig file
	notice  func(error)

	mu   sync.Mutex
	n    *Node       // nil: not open yet
	next *config.Rig // takes effect next; nil: none waits
}

var _ seam.Shop = (*Host)(nil)

// NewHost answers for the node of a rig file.
func NewHost(program, path string, notice func(error)) *Host {
	refuses := seam.Refuses{Err: errors.New("this computer is a node: ask on the computer that decides")}
	return &Host{Refuses: refuses, program: program, path: path, notice: notice}
}

// Runs makes a node the one that runs.
func (h *Host) Runs(n *Node) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.n = n
	if h.next != nil { // it came in between
		n.Renew()
	}
}

// Take takes the file that takes effect next.
func (h *Host) Take() *config.Rig {
	h.mu.Lock()
	defer h.mu.Unlock()
	next := h.next
	h.next = nil
	return next
}

// Hello says who answers.
func (h *Host) Hello(context.Context) (seam.Hello, error) {
	return seam.Hello{Program: h.program, PID: os.Getpid()}, nil
}

// State is the state of the node.
func (h *Host) State(context.Context) (seam.State, error) {
	h.mu.Lock()
	n := h.n
	h.mu.Unlock()
	if n == nil {
		return seam.State{NoShop: true}, nil
	}
	return seam.State{NoShop: true, Node: n.Status()}, nil
}

// Renew reads the rig file again. It takes effect at the next quiet moment; one that
// cannot be used changes nothing.
func (h *Host) Renew() {
	next, err := config.LoadRig(h.path)
	if err == nil && !next.IsNode {
		err = config.Errors{{File: h.path, Message: "this computer runs as a node, and the file no longer says so", Remedy: "restart the service: its role changes with a start only"}}
	}
	if err != nil {
		h.notice(fmt.Errorf("%w; the earlier rig file stays in use", err))
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.next = next
	if h.n != nil {
		h.n.Renew()
	}
}

// console is the host for those who may have its files read again.
type console struct{ *Host }

// Reload reads the rig file again.
func (c console) Reload(context.Context) (seam.Ticket, error) {
	c.Renew()
	return seam.Ticket{Outcome: seam.Waits}, nil
}

// Door is the node as it is seen through a door.
func (h *Host) Door(at seam.Door) seam.Shop {
	if at == seam.Console {
		return console{h}
	}
	return h
}
