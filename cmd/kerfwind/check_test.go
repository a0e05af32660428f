package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"path/filepath"
	"strings"
	"testing"

	"kerfwind/cmd/kerfwind/internal/daemon"
)

const configData = "../../testdata/config/"

func runCheck(t *testing.T, args ...string) (string, error) {
	t.Helper()
	cmd := newCheck()
	var out bytes.Buffer
	cmd.SetOut(&out)
	cmd.SetArgs(args)
	cmd.SilenceErrors, cmd.SilenceUsage = true, true
	err := cmd.Execute()
	return out.String(), err
}

func exitCode(err error) int {
	var e *exitError
	if errors.As(err, &e) {
		return e.code
	}
	return 0
}

func TestCheck(t *testing.T) {
	rig, shop := "../../testdata/demo/rig.toml", "../../testdata/demo/shops/barn.toml"
	out, err := runCheck(t, "--rig", rig, "--shop", shop)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`Rig "barn rig"`, "drum sander: runs when", "then far end", "Warnings\n", "floor sweep"} {
		if !strings.Contains(out, want) {
			t.Errorf("the output lacks %q", want)
		}
	}
	out, err = runCheck(t, "--rig", rig)
	if err != nil || strings.Contains(out, "Shop") || !strings.Contains(out, "If the program hangs") {
		t.Errorf("rig alone: %v\n%s", err, out)
	}
}

func TestCheckErrors(t *testing.T) {
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{nil, exitUsage, "--rig"},
		{[]string{"--rig", "none.toml"}, exitConfig, "none.toml"},
		{[]string{"--rig", configData + "invalid/rig-units.toml"}, exitConfig, "rig-units.toml:4:60: "},
		{[]string{"--rig", configData + "valid/rig-full.toml", "--shop", configData + "invalid/shop-units.toml"}, exitConfig, `did you mean "8 in"?`},
		// Both files are wrong: the errors of both at once.
		{[]string{"--rig", configData + "invalid/rig-units.toml", "--shop", configData + "invalid/shop-units.toml"}, exitConfig, "rig-units.toml:4:60: "},
		{[]string{"--rig", configData + "invalid/rig-units.toml", "--shop", configData + "invalid/shop-units.toml"}, exitConfig, "shop-units.toml:6:29: "},
		{[]string{"--rig", configData + "invalid/rig-units.toml", "--shop", "none.toml"}, exitConfig, "none.toml: stat none.toml"},
	} {
		out, err := runCheck(t, c.args...)
		if exitCode(err) != c.code || !strings.Contains(err.Error(), c.want) || out != "" {
			t.Errorf("%q: exit code %d, error %v, output %q", c.args, exitCode(err), err, out)
		}
	}
}

func TestCheckJSON(t *testing.T) {
	shop := configData + "invalid/shop-units.toml"
	out, err := runCheck(t, "--json", "--rig", configData+"valid/rig-full.toml", "--shop", shop)
	if exitCode(err) != exitConfig {
		t.Errorf("exit code %d: %v", exitCode(err), err)
	}
	var got daemon.Report
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Errors) < 10 || got.Errors[0].Line != 6 || filepath.Base(got.Errors[0].File) != "shop-units.toml" || got.Errors[0].Remedy == "" {
		t.Errorf("%+v", got)
	}
	out, err = runCheck(t, "--json", "--rig", configData+"valid/rig-small.toml", "--shop", configData+"valid/shop-small.toml")
	got = daemon.Report{}
	if err != nil || json.Unmarshal([]byte(out), &got) != nil || len(got.Errors) != 0 || len(got.Warnings) == 0 {
		t.Errorf("%v\n%s", err, out)
	}
}
