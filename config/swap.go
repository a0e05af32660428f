package config

import (
	"errors"
	"fmt"
	"slices"
)

// SwapGates exchanges what moves two gates: output, travel, direction, and the
// end switches unless these stay. Names, ducts, buttons and what the air
// computation knows of each place stay where they are.
func (raw *rawShop) SwapGates(a, b string, switchesStay bool) error {
	x, y, err := two(raw.Gate, a, b, "gate", func(g *rawGate) string { return g.Name })
	if err != nil {
		return err
	}
	x.Actuator, y.Actuator = y.Actuator, x.Actuator
	x.Travel, y.Travel = y.Travel, x.Travel
	x.Reversed, y.Reversed = y.Reversed, x.Reversed
	if !switchesStay {
		x.OpenSwitch, y.OpenSwitch = y.OpenSwitch, x.OpenSwitch
		x.ShutSwitch, y.ShutSwitch = y.ShutSwitch, x.ShutSwitch
	}
	return nil
}

// SwapSensors exchanges what tells that two machines run: channels, contacts
// and topic. One of the two may be "collector" if the other has one channel and
// nothing else. Levels in the file stay with the machine, whose current is the
// same on any sensor; they go where no channel is left to read it.
func (raw *rawShop) SwapSensors(a, b string) error {
	for _, pair := range [][2]string{{a, b}, {b, a}} {
		if pair[0] == collectorName && pair[1] != collectorName {
			return raw.swapWithCollector(pair[1])
		}
	}
	x, y, err := two(raw.Machine, a, b, "machine", func(m *rawMachine) string { return m.Name })
	if err != nil {
		return err
	}
	x.Channels, y.Channels = y.Channels, x.Channels
	x.Contacts, y.Contacts = y.Contacts, x.Contacts
	x.Topic, y.Topic = y.Topic, x.Topic
	x.Message, y.Message = y.Message, x.Message
	for _, m := range []*rawMachine{x, y} {
		if len(m.Channels) == 0 {
			m.Start, m.Stop, m.StopHold = nil, nil, nil
		}
	}
	return nil
}

func (raw *rawShop) swapWithCollector(machine string) error {
	m, err := one(raw.Machine, machine, "machine", func(m *rawMachine) string { return m.Name })
	switch {
	case err != nil:
		return err
	case raw.Collector == nil || raw.Collector.Channel == nil:
		return errors.New("the collector's own current is not sensed: there is nothing to swap")
	case len(m.Channels) != 1 || len(m.Contacts) > 0 || m.Topic != nil:
		return fmt.Errorf("%q is not sensed by one transformer alone, as the collector is", machine)
	}
	c := raw.Collector
	was := m.Channels[0]
	m.Channels, c.Channel = []string{*c.Channel}, &was
	return nil
}

// MoveToGate puts a machine to the branch of another gate, so that this gate
// opens for it. The machine that stood there comes to the first one's place; it
// is returned, "" if there was none.
func (raw *rawShop) MoveToGate(machine, gate string) (instead string, err error) {
	m, err := one(raw.Machine, machine, "machine", func(m *rawMachine) string { return m.Name })
	if err != nil {
		return "", err
	}
	g, err := one(raw.Gate, gate, "gate", func(g *rawGate) string { return g.Name })
	if err != nil {
		return "", err
	}
	if g.Duct == nil {
		return raw.moveInList(m, gate)
	}
	switch {
	case slices.ContainsFunc(raw.Duct, func(d rawDuct) bool { return d.To == *g.Duct }):
		return "", fmt.Errorf("gate %q sits in a main, not at a machine", gate)
	case slices.Contains(m.Hoods, *g.Duct):
		return "", fmt.Errorf("%q is at gate %q already", machine, gate)
	case len(m.Hoods) == 0:
		return "", fmt.Errorf("the file does not say which duct ends at %q, and gate %q sits in duct %q: name the duct in a shop file of your own", machine, gate, *g.Duct)
	case len(m.Hoods) > 1:
		return "", fmt.Errorf("%q has %d hoods (%s): say in a shop file of your own which of them changes", machine, len(m.Hoods), quoted(m.Hoods))
	}
	return raw.exchange(m, func(m *rawMachine) *[]string { return &m.Hoods }, m.Hoods[0], *g.Duct), nil
}

// moveInList is MoveToGate where the duct is not described: gates are named by
// their machines.
func (raw *rawShop) moveInList(m *rawMachine, gate string) (string, error) {
	users := func(gate string) (n int) {
		for i := range raw.Machine {
			if slices.Contains(raw.Machine[i].Gates, gate) {
				n++
			}
		}
		return n
	}
	if slices.Contains(m.Gates, gate) {
		return "", fmt.Errorf("gate %q opens for %q already", gate, m.Name)
	}
	if users(gate) > 1 {
		return "", fmt.Errorf("gate %q opens for several machines: it sits in a main, not at a machine", gate)
	}
	own := slices.DeleteFunc(slices.Clone(m.Gates), func(g string) bool { return users(g) > 1 })
	if len(own) != 1 {
		return "", fmt.Errorf("the file does not say which one gate is that of %q alone (%s): change it in a shop file of your own", m.Name, quoted(m.Gates))
	}
	return raw.exchange(m, func(m *rawMachine) *[]string { return &m.Gates }, own[0], gate), nil
}

// exchange puts next in the place of was in a list of m, and was in the place
// of next in that of another machine, which it returns.
func (raw *rawShop) exchange(m *rawMachine, list func(*rawMachine) *[]string, was, next string) (instead string) {
	put := func(m *rawMachine, was, next string) bool {
		l := list(m)
		at := slices.Index(*l, was)
		if at >= 0 {
			*l = slices.Clone(*l)
			(*l)[at] = next
		}
		return at >= 0
	}
	for i := range raw.Machine {
		if o := &raw.Machine[i]; o != m && put(o, next, was) {
			instead = o.Name
		}
	}
	put(m, was, next)
	return instead
}

// one finds a table of a list by its name.
func one[T any](list []T, name, what string, nameOf func(*T) string) (*T, error) {
	var all []string
	for i := range list {
		if nameOf(&list[i]) == name {
			return &list[i], nil
		}
		all = append(all, nameOf(&list[i]))
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("the shop has no %s %q: it has none at all", what, name)
	}
	return nil, fmt.Errorf("the shop has no %s %q: it has %s", what, name, quoted(all))
}

// two finds two tables of a list by their names.
func two[T any](list []T, a, b, what string, nameOf func(*T) string) (x, y *T, err error) {
	x, errX := one(list, a, what, nameOf)
	y, errY := one(list, b, what, nameOf)
	switch {
	case errX != nil || errY != nil:
		return nil, nil, errors.Join(errX, errY)
	case x == y:
		return nil, nil, fmt.Errorf("%q with itself: there is nothing to swap", a)
	}
	return x, y, nil
}
