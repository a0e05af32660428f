package demo

import (
	"context"
	"io"
	"math/rand/v2"
	"os"
	"strings"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/simrig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor/trace"
	"kerfwind/testdata"
)

// Workshop says what a simulated workshop is made of.
type Workshop struct {
	Truth   *config.Shop // how it truly is
	Script  string       // file: what machines do until somebody touches them; "": nothing
	Morning bool         // without a file, what they do in the demo's morning
	Speed   float64      // seconds of the shop in a second
	Runtime string       // folder of the running kerfwind's socket
	Say     func(string)
}

// Open returns the hardware of the workshop, and people's hands in it. The error is of
// the file system, or of the script.
func (w *Workshop) Open() (how rig.Options, hands *simrig.Session, err error) {
	name, text := "rehearsal", []byte(nil)
	switch {
	case w.Script != "":
		name = w.Script
		text, err = os.ReadFile(name)
	case w.Morning:
		name = Morning
		text, err = testdata.Demo.ReadFile(name)
	}
	if err != nil {
		return how, nil, err
	}
	var more []string
	if len(text) > 0 {
		s, err := trace.ParseScript(name, strings.NewReader(string(text)))
		if err != nil {
			return how, nil, err
		}
		more = s.Machines()
	}
	world := simrig.NewWorld(w.Truth, more, rand.New(rand.NewPCG(rand.Uint64(), rand.Uint64())))
	made := simrig.In(world, name, string(text), w.Speed)
	hands = &simrig.Session{World: world, Rig: made, Speed: w.Speed, Shop: socket.At(rig.Folder(w.Runtime)), Say: w.Say}
	return rig.Options{Clock: made.Clock, Sources: made.Sources, Speed: w.Speed,
		Outputs: func(s *config.Shop, p *control.Params) (rig.Outputs, error) { return world.Outputs(s, p), nil }}, hands, nil
}

// Run runs a kerfwind while hands are in its workshop, until ctx is done, somebody
// leaves, or it fails. The computer loses its supply with the workshop: then run is
// ended, and begun again when the power returns.
func Run(ctx context.Context, hands *simrig.Session, in io.Reader, run func(context.Context) error) error {
	ctx, leave := context.WithCancel(ctx)
	defer leave()
	power := make(chan struct{})
	hands.Power = func(ctx context.Context) {
		select {
		case power <- struct{}{}:
		case <-ctx.Done():
		}
	}
	go func() {
		if hands.Run(ctx, in) {
			leave()
		}
	}()
	for {
		computer, cut := context.WithCancel(ctx)
		ended := make(chan error, 1)
		go func() { ended <- run(computer) }()
		select {
		case err := <-ended:
			cut()
			return err
		case <-power:
		}
		cut()
		if err := <-ended; err != nil {
			return err
		}
		hands.Say(`the power is off. "give the power back" ends that`)
		select {
		case <-power:
		case <-ctx.Done():
			return nil
		}
	}
}
