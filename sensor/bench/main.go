// Command bench measures the detector of package sensor on made recordings,
// side by side with two usual ways: a fixed level of 1 A on the RMS of 200 ms,
// and a one-cycle RMS with hysteresis.
//
//	go run ./sensor/bench -starts 2000 -idle 1000
//	go run ./sensor/bench -starts 400 -idle 15 -steps 0 -weak 100 -codes 8 -broken 20 -beside 40 -healthy 2 -goals
//
// It prints tables: starts and stops of each kind of machine; false starts in
// idle hours with crosstalk, standby loads and spikes; delays against Lorden's
// bound; currents near the noise; crosstalk, stuck codes, broken sensors and healthy
// ones over rates, mains and bits. With -goals it fails where the detector misses a goal.
package main

import (
	"flag"
	"fmt"
	"io"
	"os"
)

func main() {
	if err := run(os.Stdout, os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

func run(w io.Writer, args []string) error {
	fs := flag.NewFlagSet("bench", flag.ContinueOnError)
	starts := fs.Int("starts", 2000, "starts of each kind of machine; 0 = skip")
	idle := fs.Float64("idle", 1000, "idle channel hours; 0 = skip")
	steps := fs.Int("steps", 400, "steps of each size for the comparison with Lorden's bound; 0 = skip")
	weak := fs.Int("weak", 400, "starts of each current near the noise, and an idle hour for each 200; 0 = skip")
	codes := fs.Int("codes", 100, "codes at which a channel sticks, for each rate and mains; 0 = skip")
	broken := fs.Int("broken", 100, "broken sensors of each kind; 0 = skip")
	beside := fs.Int("beside", 100, "starts of a neighbour whose current shows, for each share; 0 = skip")
	healthy := fs.Float64("healthy", 24, "hours of healthy quiet channels; 0 = skip")
	rate := fs.Float64("rate", 2000, "scans a second")
	frames := fs.Int("frames", 0, "only feed so many frames of 80 samples, for counting instructions")
	held := fs.Bool("goals", false, "fail where a goal is missed")
	seed := fs.Uint64("seed", 1, "another seed, other recordings")
	if err := fs.Parse(args); err != nil {
		return err
	}
	if *frames > 0 {
		return benchFrames(w, *frames)
	}
	var g goals
	if *starts > 0 {
		if err := benchStarts(w, *starts, *rate, *seed, &g); err != nil {
			return err
		}
	}
	if *idle > 0 {
		benchIdle(w, *idle, *seed, &g)
	}
	if *steps > 0 {
		benchSteps(w, *steps, *seed)
	}
	if *weak > 0 {
		benchWeak(w, *weak, *seed, &g)
		benchWeakIdle(w, float64(*weak)/200, *seed, &g)
	}
	if *codes > 0 {
		benchStuck(w, *codes, *seed, &g)
	}
	if *broken > 0 {
		benchFaults(w, *broken, *seed, &g)
	}
	if *beside > 0 {
		benchBeside(w, *beside, *seed, &g)
	}
	if *healthy > 0 {
		benchQuiet(w, *healthy, *seed, &g)
	}
	if *held {
		return g.verdict()
	}
	return nil
}
