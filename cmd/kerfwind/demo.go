package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"kerfwind/cmd/kerfwind/internal/console"
	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/outfile"
	"kerfwind/cmd/kerfwind/internal/replay"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor/trace"
	"kerfwind/testdata"
)

// The demo's files inside testdata.Demo.
const (
	demoRig   = "demo/rig.toml"
	demoShop  = "demo/shops/barn.toml"
	demoTrace = "demo/barn.flac"
	demoPlant = "demo/plant.txt"

	demoMorning = "demo/morning.txt" // the script that made the recording
)

func newDemo() *cobra.Command {
	var speed float64
	var plain, asJSON, once bool
	var unpack, listen string
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "A morning in a guitar maker's barn; needs no files and no hardware",
		Long: `Demo shows a morning in a guitar maker's barn with four machines, a floor sweep
and one 2 hp collector. Everything in it is invented, and the program carries it.

On a terminal it runs the whole daemon on a simulated rig, the morning again and
again, until Ctrl-C: with the page for the phone, a broker with its topics, and
its history, all in a temporary folder and for this computer alone. It prints
where they are, and then what happens. --listen does so where there is no
terminal, or shows the page to the network as well.

With --once, and where the output is no terminal, it replays the recording of
that morning once: machines overlap, a sensor comes unplugged, and a gate sticks.
On a terminal the shop is shown live and faster than real then; elsewhere, and
with --plain or --json, its timeline is printed.`,
		Example: `  kerfwind demo
  kerfwind demo --listen :8080
  kerfwind demo --once --plain`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if speed < 0 || speed == 0 && cmd.Flags().Changed("speed") {
				return &exitError{exitUsage, fmt.Errorf("--speed %v: give more than 0, e.g. 15", speed)}
			}
			if unpack != "" {
				return unpackDemo(cmd.OutOrStdout(), unpack)
			}
			ctx, stop := untilEnded(cmd.Context())
			defer stop()
			out := cmd.OutOrStdout()
			once = once || plain || asJSON
			file, ok := out.(*os.File)
			if listen != "" && once {
				return &exitError{exitUsage, errors.New("--listen is for the page, which --once, --plain and --json do without")}
			}
			if listen != "" || !once && ok && term.IsTerminal(int(file.Fd())) {
				return demoPage(ctx, stop, console.New(out, cmd.ErrOrStderr()), listen, speed)
			}
			r, err := openDemo()
			if err != nil {
				return err
			}
			if ok && !plain && !asJSON {
				if screen, ok := live.Terminal(file, os.Getenv); ok {
					return demoLive(ctx, out, r, screen, cmp.Or(speed, viewSpeed))
				}
			}
			p := replay.NewPrinter(out, r, asJSON)
			end, err := r.Run(ctx, nil, func(time.Duration) error { return p.Err }, p)
			p.End(end, false)
			return errors.Join(err, p.Err)
		},
	}
	cmd.Flags().Float64Var(&speed, "speed", 0, fmt.Sprintf("seconds of the morning in a second, on a terminal (default: %g with the page, up to %d; %g with --once)", pageSpeed, mostSpeed, viewSpeed))
	cmd.Flags().BoolVar(&once, "once", false, "replay the morning once, without the page")
	cmd.Flags().StringVar(&listen, "listen", "", `serve the page at this address, e.g. ":8080" for a phone in the network (default: for this computer alone)`)
	cmd.Flags().BoolVar(&plain, "plain", false, "print the timeline, on a terminal too")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object an event")
	cmd.Flags().StringVar(&unpack, "unpack", "", "write the demo's files into this folder instead, to try them with replay and check")
	return cmd
}

// openDemo prepares the replay of the files that the program carries.
func openDemo() (*replay.Replay, error) {
	var errs []error
	read := func(name string) []byte {
		b, err := testdata.Demo.ReadFile(name)
		errs = append(errs, err)
		return b
	}
	rigText, shopText, recording, plant := read(demoRig), read(demoShop), read(demoTrace), read(demoPlant)
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	rig, err := config.ParseRig(demoRig, rigText)
	if err != nil {
		return nil, err
	}
	shop, err := config.ParseShop(demoShop, shopText, rig)
	if err != nil {
		return nil, err
	}
	t, err := trace.NewReader(demoTrace, bytes.NewReader(recording), trace.Options{FrameScans: 100})
	if err != nil {
		return nil, err
	}
	return replay.New(replay.Options{Trace: t, Rig: rig, Shop: shop, Plant: bytes.NewReader(plant), PlantName: demoPlant, PowerUp: true})
}

// demoLive shows the morning on a terminal and sums it up.
func demoLive(ctx context.Context, out io.Writer, r *replay.Replay, screen live.Screen, speed float64) (err error) {
	view := live.New(screen, live.Options{Title: "kerfwind demo: " + r.Shop.Name, Names: r.Names, Channels: liveChannels(r),
		Speed: speed, Snapshot: r.Core.Snapshot})
	if err := view.Open(); err != nil {
		return err
	}
	defer func() { _ = view.Close() }() // again after the one below, or from a panic
	tally := replay.NewPrinter(io.Discard, r, false)
	end, err := r.Run(ctx, view.Reading, func(now time.Duration) error { return view.Pace(ctx, now) }, view, tally)
	if cerr := view.Close(); err == nil {
		err = cerr
	}
	if errors.Is(err, context.Canceled) {
		return nil // the person has seen enough
	}
	if err != nil {
		return err
	}
	fmt.Fprintln(out)
	return tally.Tally.Write(out, end)
}

// liveChannels describes the channels to the live view.
func liveChannels(r *replay.Replay) []live.Channel {
	var out []live.Channel
	for i, use := range r.Channels {
		label := r.Shop.Rig.Channels[i].Name
		if use.Machine != control.NoID {
			label = r.Names.Machines[use.Machine]
		}
		out = append(out, live.Channel{Label: label, Machine: use.Machine, Start: float32(use.Start), Stop: float32(use.Stop)})
	}
	return out
}

// unpackDemo writes the demo's files to a folder. It overwrites nothing.
func unpackDemo(w io.Writer, dir string) error {
	err := fs.WalkDir(testdata.Demo, "demo", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel("demo", path)
		if err != nil {
			return err
		}
		target := filepath.Join(dir, rel)
		if err := os.MkdirAll(filepath.Dir(target), 0o755); err != nil {
			return err
		}
		b, err := testdata.Demo.ReadFile(path)
		if err != nil {
			return err
		}
		if _, err := os.Lstat(target); err == nil {
			return fmt.Errorf("%s exists: name a folder that does not hold the demo yet", target)
		}
		return outfile.Write(target, false, func(w io.Writer) error {
			_, err := w.Write(b)
			return err
		})
	})
	if err != nil {
		return err
	}
	fmt.Fprintf(w, `The demo's files are in %[1]s. Try:
  kerfwind check --rig %[1]s/rig.toml --shop %[1]s/shops/barn.toml
  kerfwind replay --power-up --rig %[1]s/rig.toml --shop %[1]s/shops/barn.toml --plant %[1]s/plant.txt %[1]s/barn.flac
`, dir)
	return nil
}
