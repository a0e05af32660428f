package doctor

import (
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"

	"github.com/warthog618/go-gpiocdev/uapi"
	"golang.org/x/sys/unix"

	"kerfwind/config"
	"kerfwind/testdata/guest"
)

// hold takes a line as any other program would.
func hold(t *testing.T, label string, line uint32, consumer string) {
	t.Helper()
	paths, err := filepath.Glob("/dev/gpiochip*")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range paths {
		f, err := os.Open(p)
		if err != nil {
			t.Fatal(err)
		}
		info, err := uapi.GetChipInfo(f.Fd())
		if err != nil {
			t.Fatal(err)
		}
		if uapi.BytesToString(info.Label[:]) == label {
			req := uapi.LineRequest{Lines: 1}
			req.Offsets[0] = line
			req.Config.Flags = uapi.LineFlagV2Input
			copy(req.Consumer[:], consumer)
			if err := uapi.GetLine(f.Fd(), &req); err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = unix.Close(int(req.Fd)) })
		}
		_ = f.Close() // the line stays held
	}
}

// On a real kernel with the buses and chips of the machine's rig: what is
// there is found, and who holds a line is told.
func TestGuest(t *testing.T) {
	guest.Require(t)
	rig, err := config.LoadRig("/rig.toml")
	if err != nil {
		t.Fatal(err)
	}
	o := Options{Rig: rig, State: "/tmp/state", Runtime: "/run/kerfwind", System: Here()}
	has := func(want Finding) {
		t.Helper()
		found := Examine(o)
		if !slices.ContainsFunc(found, func(f Finding) bool { return f.Level == want.Level && f.About == want.About && f.Says == want.Says }) {
			t.Errorf("no finding %+v in %+v", want, found)
		}
	}
	own, expander := len(rig.Contacts)+6-2, 2 // two contacts are on the expander; motor 2, relays 2, servo chip 1, heartbeat 1
	has(Finding{Level: OK, About: "/dev/spidev0.0", Says: "may be opened, for converter a"})
	has(Finding{Level: OK, About: "/dev/i2c-1", Says: "may be opened, for servos; its clock cannot be seen here"})
	has(Finding{Level: OK, About: guest.Own, Says: "lines of the rig: " + strconv.Itoa(own) + ", all free"})
	has(Finding{Level: OK, About: guest.Expander, Says: "lines of the rig: " + strconv.Itoa(expander) + ", all free"})
	hold(t, guest.Own, 17, "lamp")
	hold(t, guest.Expander, 6, "kerfwind g5 open")
	has(Finding{Level: Bad, About: "line 17 of " + guest.Own + " (k0)", Says: `it is held by "lamp"`})
	has(Finding{Level: OK, About: guest.Own, Says: "lines of the rig: " + strconv.Itoa(own-1) + ", all free"})
	has(Finding{Level: OK, About: guest.Expander, Says: "lines of the rig: 1 free, 1 held by kerfwind"})
}
