package state_test

import (
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/sensor"
)

func TestFolder(t *testing.T) {
	env := func(v string) func(string) string {
		return func(key string) string {
			if key == "STATE_DIRECTORY" {
				return v
			}
			return ""
		}
	}
	for _, c := range []struct{ given, env, want string }{
		{"x", "/y", "x"}, {"", "/y", "/y"}, {"", "/y:/z", "/y"}, {"", "", "/var/lib/kerfwind"},
	} {
		if got := state.Folder(c.given, env(c.env)); got != c.want {
			t.Errorf("%+v: %s", c, got)
		}
	}
}

func TestWrite(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a", "b")
	for _, text := range []string{"one", "two"} {
		if err := state.Write(dir, "x", []byte(text)); err != nil {
			t.Fatal(err)
		}
		if got, err := state.Read(dir, "x"); err != nil || string(got) != text {
			t.Errorf("%q, %v", got, err)
		}
	}
	list, err := os.ReadDir(dir)
	if err != nil || len(list) != 1 {
		t.Errorf("something is left over: %v, %v", list, err)
	}
	for range 2 {
		if err := state.Remove(dir, "x"); err != nil {
			t.Error(err)
		}
	}
	if _, err := state.Read(dir, "x"); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
}

// TestModes: the group of the folder reads what is no secret. A secret stays one
// when it takes the place of what was none, whatever the umask.
func TestModes(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		write func(string, string, []byte) error
		want  os.FileMode
	}{{state.Write, 0o640}, {state.WriteSecret, 0o600}} {
		if err := c.write(dir, "x", nil); err != nil {
			t.Fatal(err)
		}
		if info, err := os.Stat(filepath.Join(dir, "x")); err != nil || info.Mode() != c.want {
			t.Errorf("%v, %v; want %v", info.Mode(), err, c.want)
		}
	}
}

// TestWriteFails: what cannot be written leaves the old file and nothing else.
func TestWriteFails(t *testing.T) {
	dir := t.TempDir()
	if err := os.MkdirAll(filepath.Join(dir, "x", "full"), 0o755); err != nil {
		t.Fatal(err)
	}
	// A folder that is not empty stands in the way of the rename.
	if err := state.Write(dir, "x", []byte("new")); err == nil || !strings.Contains(err.Error(), filepath.Join(dir, "x")) {
		t.Errorf("%v", err)
	}
	list, err := os.ReadDir(dir)
	if err != nil || len(list) != 1 {
		t.Errorf("something is left over: %v, %v", list, err)
	}
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := state.Write(file, "x", nil); err == nil || !strings.Contains(err.Error(), "--state") {
		t.Errorf("%v", err)
	}
}

func TestReadTooLarge(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "x"), make([]byte, 4<<20+1), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := state.Read(dir, "x"); err == nil || !strings.Contains(err.Error(), "no file of kerfwind") {
		t.Errorf("%v", err)
	}
}

func draw(t *rapid.T) *sensor.Learned {
	amps := rapid.Custom(func(t *rapid.T) float64 { return float64(rapid.IntRange(1, 99999).Draw(t, "mA")) / 1e3 })
	name := rapid.StringMatching(`[a-zé <"\\]{1,8}`)
	secs := rapid.Custom(func(t *rapid.T) time.Duration {
		return time.Duration(rapid.IntRange(0, 3600_000).Draw(t, "ms")) * time.Millisecond
	})
	var l sensor.Learned
	for range rapid.IntRange(0, 3).Draw(t, "channels") {
		l.Channels = append(l.Channels, sensor.LearnedChannel{Channel: name.Draw(t, "channel"), Calibration: name.Draw(t, "calibration"),
			Idle: sensor.Level{Mean: amps.Draw(t, "mean"), Spread: amps.Draw(t, "spread")}, Top: amps.Draw(t, "top"), Learned: "2026-11-24"})
	}
	for range rapid.IntRange(0, 3).Draw(t, "machines") {
		stop := amps.Draw(t, "stop")
		l.Machines = append(l.Machines, sensor.LearnedMachine{Machine: name.Draw(t, "machine"), Sensors: []string{name.Draw(t, "sensor")}, Volts: 230, Hertz: 50,
			Run: sensor.Level{Mean: amps.Draw(t, "run"), Spread: amps.Draw(t, "spread")}, Least: amps.Draw(t, "least"), Inrush: amps.Draw(t, "inrush"),
			Settle: secs.Draw(t, "settle"), Coast: secs.Draw(t, "coast"), Start: stop * 2, Stop: stop, Margin: sensor.Fair, Learned: "2026-11-24"})
	}
	for range rapid.IntRange(0, 3).Draw(t, "pairs") {
		a := name.Draw(t, "channel")
		share := func(what string) float64 { return float64(rapid.IntRange(-99999, 99999).Draw(t, what)) / 1e6 }
		l.Pairs = append(l.Pairs, sensor.LearnedPair{Channel: a, Of: a + "!", Re: share("re"), Im: share("im"), Amps: amps.Draw(t, "amps"), Learned: "2026-11-24"})
	}
	return &l
}

// TestLearnedRoundTrip: what is written is read back.
func TestLearnedRoundTrip(t *testing.T) {
	dir := t.TempDir()
	if l, err := state.ReadLearned(dir); err != nil || len(l.Channels)+len(l.Machines) != 0 {
		t.Errorf("nothing learned: %+v, %v", l, err)
	}
	rapid.Check(t, func(t *rapid.T) {
		l := draw(t)
		if err := state.ChangeLearned(dir, func(old *sensor.Learned) { *old = *l }); err != nil {
			t.Fatal(err)
		}
		got, err := state.ReadLearned(dir)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(l, got); d != "" {
			t.Fatal(d)
		}
	})
}

// TestLearnedTogether: of lessons that end at once, each is kept.
func TestLearnedTogether(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new")
	var all sync.WaitGroup
	for i := range 20 {
		all.Go(func() {
			err := state.ChangeLearned(dir, func(l *sensor.Learned) {
				l.Add([]sensor.LearnedChannel{{Channel: strconv.Itoa(i), Calibration: "c"}}, nil)
			})
			if err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if l, err := state.ReadLearned(dir); err != nil || len(l.Channels) != 20 {
		t.Errorf("%d of 20 are kept: %v", len(l.Channels), err)
	}
}

// TestLearnedDamaged: a file that cannot be read is not written over.
func TestLearnedDamaged(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, state.LearnedFile)
	if err := os.WriteFile(path, []byte("{"), 0o644); err != nil {
		t.Fatal(err)
	}
	err := state.ChangeLearned(dir, func(*sensor.Learned) { t.Error("asked for a change") })
	if data, rerr := os.ReadFile(path); err == nil || rerr != nil || string(data) != "{" {
		t.Errorf("%v, %v, %q", err, rerr, data)
	}
	if err := state.ChangeLearned(path, nil); err == nil || !strings.Contains(err.Error(), "--state") {
		t.Errorf("a file for a folder: %v", err)
	}
}

func TestLearnedRefused(t *testing.T) {
	for text, want := range map[string]string{
		``:                        "line 1: EOF",
		"{\n\n \"x\"":             "line 3",
		`{"format": 2}`:           "format 2: this program knows format 1",
		`{"format": 1, "new": 3}`: "unknown field",
		`{"format": 1} {}`:        "more after its end",
		`{"format": 1, "machines": [{"machine": "a", "sensors": ["b"], "start": 2, "stop": 1, "margin": "huge"}]}`:              "unknown margin",
		`{"format": 1, "machines": [{"machine": "a", "sensors": ["b"], "start": 2, "stop": 1, "margin": "fair", "coast": -1}]}`: "want times",
		`{"format": 1, "channels": [{"channel": "a", "calibration": "b", "idle": -1}]}`:                                         "want a name",
	} {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, state.LearnedFile), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		_, err := state.ReadLearned(dir)
		if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "learned.json") || !strings.Contains(err.Error(), "learn again") {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
	if err := state.ChangeLearned(t.TempDir(), func(l *sensor.Learned) { l.Channels = []sensor.LearnedChannel{{}} }); err == nil {
		t.Error("what is not valid was written")
	}
}

func FuzzDecodeLearned(f *testing.F) {
	f.Add([]byte(`{"format": 1, "channels": [{"channel": "a", "calibration": "b", "idle": 0.1, "spread": 0.01, "top": 0.2, "learned": ""}], "machines": []}`))
	f.Add([]byte(`{"format": 1, "machines": [{"machine": "a", "sensors": ["b"], "start": 2, "stop": 1, "margin": "fair", "coast": 1e300}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		l, err := state.DecodeLearned(data)
		if err != nil {
			return
		}
		again, err := state.EncodeLearned(l)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := state.DecodeLearned(again); err != nil {
			t.Fatalf("%v\n%s", err, again)
		}
	})
}
