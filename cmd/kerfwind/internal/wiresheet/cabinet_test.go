package wiresheet

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"kerfwind/config"
	"kerfwind/testdata/peers"
)

// barn is the demo's shop, changed by replacing texts in pairs.
func barn(t testing.TB, replace ...string) *config.Shop {
	t.Helper()
	rig, err := config.LoadRig("../../../../testdata/demo/rig.toml")
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile("../../../../testdata/demo/shops/barn.toml")
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.ParseShop("barn.toml", []byte(strings.NewReplacer(replace...).Replace(string(text))), rig)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// words is the sheet as text, each run of blanks as one.
func words(t testing.TB, s *Sheet) string {
	t.Helper()
	var b strings.Builder
	if err := s.WriteText(&b); err != nil {
		t.Fatal(err)
	}
	return regexp.MustCompile(`[ \x{a0}]+`).ReplaceAllString(b.String(), " ")
}

func TestCabinet(t *testing.T) {
	for _, c := range []struct {
		name    string
		replace []string
		ducts   bool
		want    []string
		not     []string
	}{
		{"as it is", nil, false, []string{
			"(shop barn.toml, rig ../../../../testdata/demo/rig.toml, on 2026-11-25)",
			"\n planer c1 (converter a, input 1) planer planer, 30 A L1-L2 ", // sensor, gate, circuit
			"\n drum sander c2 (converter a, input 2) drum sander, far end saw wall, 20 A L1-L2 ",
			" router c3 (converter a, input 3) router bench, 20 A L1 18 s\n", // a run-on as written
			"\n planer g1 (servo board 0x40, output 1) B2 5 in open: g1 open (line 1 of\n switches); shut: g1 shut (line 2\n of switches)\n",
			" collector k0 (pin 11 (GPIO 17)) ",
			" air cleaner k1 (pin 13 (GPIO 27)) follows drum sander, – 20 min",
			" other loads – c4 (converter a, input",
			" bin door pin 15 (GPIO 22) open = collector off",
			"lock it", "electrician's work",
		}, []string{"Do not connect", "Leads to"}},
		{"with ducts", nil, true, []string{"\n B4 T3 4 in smooth 9 ft elbows: 1 router router\n", "\n B5 T1 4 in smooth 11 ft elbows: 2, 7 ft up floor sweep –\n"}, nil},
		{"metric", []string{`"imperial"`, `"metric"`}, true, []string{" B2 127 mm open: g1 open"}, []string{" 5 in "}},
		{"a motor for another supply", []string{`stop_hold = "500 ms"`, `stop_hold = "500 ms"` + "\nrated = [\"230 V 50 Hz\"]"}, false,
			[]string{"Do not connect router: not marked for"}, nil},
		{"the other way round, by hand", []string{`actuator = "g4", duct`, `actuator = "g4", reversed = true, duct`, `actuator = "g0", duct = "B1", travel = "900 ms",`, `duct = "B1",`}, false,
			[]string{"(servo board 0x40, output 4), B5", "\n mounted in reverse 25))", "\n band saw by hand B1 4 in open: g0 open"}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := words(t, Cabinet(barn(t, c.replace...), c.ducts, "2026-11-25"))
			for _, w := range c.want {
				if !strings.Contains(text, w) {
					t.Errorf("not in it: %q", w)
				}
			}
			for _, w := range c.not {
				if strings.Contains(text, w) {
					t.Errorf("in it: %q", w)
				}
			}
			if t.Failed() {
				t.Log(text)
			}
		})
	}
}

// TestCabinetFits: Chromium prints it on one page of either paper.
func TestCabinetFits(t *testing.T) {
	chromium := peers.Require(t, "chromium", "Debian package chromium")
	dir := t.TempDir()
	for _, paper := range []string{"letter", "A4"} {
		var b bytes.Buffer
		if err := Cabinet(barn(t), true, "2026-11-25").WriteHTML(&b); err != nil {
			t.Fatal(err)
		}
		text := strings.Replace(b.String(), "@page { size: auto;", "@page { size: "+paper+";", 1)
		if text == b.String() {
			t.Fatal("the sheet does not say its paper")
		}
		page, pdf := filepath.Join(dir, "sheet.html"), filepath.Join(dir, "sheet.pdf")
		if err := os.WriteFile(page, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.CommandContext(t.Context(), chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
			"--disable-component-update", "--disable-sync", "--user-data-dir="+filepath.Join(dir, "profile"), "--no-pdf-header-footer", "--print-to-pdf="+pdf, "file://"+page).CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		printed, err := os.ReadFile(pdf)
		if err != nil {
			t.Fatal(err)
		}
		if n := len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(printed, -1)); n != 1 {
			t.Errorf("%s: %d pages", paper, n)
		}
	}
}
