package sample

import "testing"

func TestPress(t *testing.T) {
	var b box
	if !b.press(3) || b.state != on || b.count != 3 {
		t.Error(b)
	}
	if b.press(3) || b.count != 4 {
		t.Error(b)
	}
}
