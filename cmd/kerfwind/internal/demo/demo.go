// Package demo is the morning in a guitar maker's barn that the program carries: its
// files, a replay of it, and where its page can be served.
package demo

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/replay"
	"kerfwind/cmd/kerfwind/internal/scene"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor/trace"
	"kerfwind/testdata"
)

// The demo's files inside testdata.Demo.
const (
	Rig   = "demo/rig.toml"
	Shop  = "demo/shops/barn.toml"
	Trace = "demo/barn.flac"
	Plant = "demo/plant.txt"

	Morning = "demo/morning.txt" // the script that made the recording
)

// Open prepares the replay of the files that the program carries.
func Open() (*replay.Replay, error) {
	var errs []error
	read := func(name string) []byte {
		b, err := testdata.Demo.ReadFile(name)
		errs = append(errs, err)
		return b
	}
	rigText, shopText, recording, plant := read(Rig), read(Shop), read(Trace), read(Plant)
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	rig, err := config.ParseRig(Rig, rigText)
	if err != nil {
		return nil, err
	}
	shop, err := config.ParseShop(Shop, shopText, rig)
	if err != nil {
		return nil, err
	}
	t, err := trace.NewReader(Trace, bytes.NewReader(recording), trace.Options{FrameScans: 100})
	if err != nil {
		return nil, err
	}
	return replay.New(replay.Options{Trace: t, Rig: rig, Shop: shop, Plant: bytes.NewReader(plant), PlantName: Plant, PowerUp: true})
}

// Live shows the morning on a terminal and sums it up.
func Live(ctx context.Context, out io.Writer, r *replay.Replay, screen live.Screen, speed float64) (err error) {
	view := live.New(screen, live.Options{Title: "kerfwind demo: " + r.Shop.Name, Names: r.Names, Layout: scene.NewLayout(r.Shop), Channels: liveChannels(r),
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

// Unpack writes the demo's files to a folder. It overwrites nothing.
func Unpack(w io.Writer, dir string) error {
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
		return state.WriteFile(target, false, func(w io.Writer) error {
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

// RigFile reads the rig that the program carries.
func RigFile() (*config.Rig, error) {
	text, err := testdata.Demo.ReadFile(Rig)
	if err != nil {
		return nil, err
	}
	return config.ParseRig(Rig, text)
}

// Files reads rig and shop.
func Files() (*config.Shop, error) {
	text, err := testdata.Demo.ReadFile(Shop)
	if err != nil {
		return nil, err
	}
	r, err := RigFile()
	if err != nil {
		return nil, err
	}
	return config.ParseShop(Shop, text, r)
}
