package guide

import (
	"strings"
	"testing"

	"kerfwind/testdata/barn"
)

func TestRun(t *testing.T) {
	res, err := DryRun(t.Context(), barn.Shop(t))
	if err != nil || !res.Good {
		t.Fatalf("%+v, %v", res, err)
	}
	want := []string{
		"band saw: seen by its sensor, opens band saw, and the collector runs.",
		"planer: seen by its sensor, opens planer, and the collector runs.",
		"drum sander: seen by its sensor, opens drum sander, far end, and the collector runs.",
		"router: seen by its sensor, opens router, and the collector runs.",
	}
	if got := strings.Join(res.Lines, "\n"); got != strings.Join(want, "\n") {
		t.Error(got)
	}
}

// TestRunWrong: a shop that cannot serve a machine is not good.
func TestRunWrong(t *testing.T) {
	res, err := DryRun(t.Context(), barn.Shop(t, `name = "band saw",    actuator = "g0", duct = "B1", travel = "900 ms"`, `name = "band saw",    actuator = "g0", duct = "B1", travel = "30 s"`))
	if err != nil || res.Good || !strings.Contains(res.Lines[0], "gate band saw is not open") {
		t.Errorf("%+v, %v", res, err)
	}
}
