package drive

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

func has(t *testing.T, err error, parts ...string) {
	t.Helper()
	if err == nil {
		t.Fatal("no error")
	}
	for _, p := range parts {
		if !strings.Contains(err.Error(), p) {
			t.Errorf("%q does not say %q", err, p)
		}
	}
}

// A computer without GPIO chips, or with something else in their place.
func TestNoChip(t *testing.T) {
	dir := t.TempDir()
	k := kernel{dir}
	_, err := k.Output(Line{"pinctrl-bcm2835", 17}, false, "k0")
	has(t, err, `no GPIO chip "pinctrl-bcm2835"`, "nor any other", dir+"/gpiochip*")
	if err := os.WriteFile(filepath.Join(dir, "gpiochip0"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = k.Input(Line{"pinctrl-bcm2835", 17}, 0, "door")
	has(t, err, `no GPIO chip "pinctrl-bcm2835"; this computer has`, "(gpiochip0)")
}

func TestNoBus(t *testing.T) {
	k := kernel{t.TempDir()}
	_, err := k.Bus("/dev/i2c-987")
	has(t, err, "/dev/i2c-987 is missing", "dtparam=i2c_arm=on", "i2c-dev")
	_, err = k.Bus("/dev/spidev0.0")
	has(t, err, `"/dev/spidev0.0" is no I2C bus`, "/dev/i2c-1")
}

// The group is the one that owns the device file; root's, or a file that is
// not there, gives the usual one and says where it comes from.
func TestForbidden(t *testing.T) {
	path := filepath.Join(t.TempDir(), "i2c-1")
	err := noBus(path, &os.PathError{Op: "open", Path: path, Err: syscall.EACCES})
	has(t, err, path, `group "i2c"`, "usermod -aG i2c", "SupplementaryGroups=", "udev rule", "permission denied")
	if os.Getuid() != 0 {
		t.Skip("only root can give a file away")
	}
	if e := os.WriteFile(path, nil, 0o660); e != nil {
		t.Fatal(e)
	}
	if e := os.Chown(path, 0, 1); e != nil { // 1 is daemon on every Debian
		t.Fatal(e)
	}
	has(t, noBus(path, &os.PathError{Op: "open", Path: path, Err: syscall.EACCES}), `group "daemon"`, "usermod -aG daemon")
}

func TestFreeing(t *testing.T) {
	for who, part := range map[string]string{
		"kerfwind k0":               "stop that one",
		"spi0 CS1":                  "dtoverlay=spi0-1cs",
		"ACT":                       "light of the board",
		"led0":                      "light of the board",
		"onewire@0":                 "dtoverlay=w1-gpio",
		"sysfs":                     "unexport",
		"another program or driver": "gpioinfo",
	} {
		if got := freeing(who); !strings.Contains(got, part) {
			t.Errorf("%q: %q", who, got)
		}
	}
}

// periph wraps the kernel's words, not its number.
func TestSilent(t *testing.T) {
	for e, part := range map[syscall.Errno]string{
		syscall.EREMOTEIO: "i2cdetect -y 1",
		syscall.ENXIO:     "i2cdetect -y 1",
		syscall.ETIMEDOUT: "the bus hangs",
		syscall.EAGAIN:    "never free",
		syscall.EPERM:     "operation not permitted",
	} {
		has(t, silent(1, 0x40, fmt.Errorf("sysfs-i2c: %v", e)), part) //nolint:errorlint // as periph does it
	}
}
