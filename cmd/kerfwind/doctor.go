package main

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/doctor"
	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/config"
	"kerfwind/control/drive"
)

// doctorFlags are the flags of doctor.
type doctorFlags struct {
	rig, shop, state, runtime string
	json                      bool
}

func newDoctor() *cobra.Command {
	var f doctorFlags
	cmd := &cobra.Command{
		Use:   "doctor --rig FILE [--shop FILE]",
		Short: "Look at the computer that the rig is plugged into, and say what to do",
		Args:  cobra.NoArgs,
		RunE:  func(cmd *cobra.Command, _ []string) error { return f.doctor(cmd) },
	}
	fl := cmd.Flags()
	fl.StringVar(&f.rig, "rig", "/etc/kerfwind/rig.toml", "rig file")
	fl.StringVar(&f.shop, "shop", "", "shop file: whom it tells of news is looked at too (default: the one that was chosen)")
	fl.StringVar(&f.state, "state", "", stateUsage)
	addRuntime(cmd, &f.runtime)
	fl.BoolVar(&f.json, "json", false, "print the findings as JSON")
	return cmd
}

func (f *doctorFlags) doctor(cmd *cobra.Command) error {
	o := doctor.Options{System: doctor.Here()}
	o.Runtime = cmp.Or(f.runtime, os.Getenv("RUNTIME_DIRECTORY"), "/run/kerfwind")
	o.State = cmp.Or(f.state, os.Getenv("STATE_DIRECTORY"), "/var/lib/kerfwind")
	if abs, err := filepath.Abs(o.State); err == nil {
		o.State = abs
	}
	var err error
	if o.Rig, err = config.LoadRig(f.rig); err != nil {
		return &exitError{exitConfig, err}
	}
	if f.shop == "" {
		// Who may not look into the folder does without.
		if f.shop, err = daemon.ActiveShop(o.State); err != nil && !errors.Is(err, os.ErrPermission) {
			return &exitError{exitConfig, err}
		}
	}
	if f.shop != "" {
		if o.Shop, err = config.LoadShop(f.shop, o.Rig); err != nil {
			return &exitError{exitConfig, err}
		}
	}
	o.Rig = o.Rig.Own()
	o.Place = func(name string) string { return mqttlink.Place(name, filepath.Dir(f.rig)) }
	o.Echo = func() (time.Duration, error) { return echo(cmd.Context(), o.Rig, filepath.Dir(f.rig)) }
	o.Passwords = func(b []byte) error { _, err := panel.DecodePasswords(b); return err }
	began := time.Now()
	o.Scan = func(i int) error {
		return rig.Kernel().Probe(o.Rig, i, func() time.Duration { return time.Since(began) })
	}
	o.Ask = func(bus string, address int) error { return drive.Ask(realRig().Hardware, bus, address) }
	found := doctor.Examine(o)
	if f.json {
		enc := json.NewEncoder(cmd.OutOrStdout())
		enc.SetIndent("", "  ")
		enc.SetEscapeHTML(false)
		err = enc.Encode(struct {
			Findings []doctor.Finding `json:"findings"`
		}{found})
	} else {
		err = doctor.Write(cmd.OutOrStdout(), found)
	}
	switch n := doctor.Count(found, doctor.Bad); {
	case err != nil:
		return err
	case n == 1:
		return errors.New("1 thing is bad: see what to do about it above")
	case n > 1:
		return fmt.Errorf("%d things are bad: see what to do about them above", n)
	}
	return nil
}

// echo sends a message through the broker of a rig and waits for it.
func echo(ctx context.Context, r *config.Rig, folder string) (time.Duration, error) {
	password, secure, err := mqttlink.Secrets(*r.MQTT, folder)
	if err != nil {
		return 0, err
	}
	return mqttlink.Echo(ctx, mqttlink.Options{MQTT: *r.MQTT, Password: password, TLS: secure, Boot: rand.Text()})
}
