// Package sample is broken by the tests of mutate.
package sample

type state uint8

const (
	off state = iota
	on
)

type box struct {
	state state
	count int
}

func (b *box) press(times int) bool {
	if times > 2 && b.state == off {
		b.state, b.count = on, b.count+times
		return true
	}
	switch state := b.state; state {
	case off, on:
		b.count++
	}
	return false
}
