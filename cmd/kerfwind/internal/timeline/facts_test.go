package timeline

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"kerfwind/control"
)

// rowsOf are the rows of a document's tables that begin with a name of a fault.
func rowsOf(t *testing.T, file string) map[string][]string {
	t.Helper()
	b, err := os.ReadFile("../../../../" + file)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]string{}
	for line := range strings.Lines(string(b)) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		name := strings.TrimSpace(cells[0])
		if len(cells) == 4 && strings.HasPrefix(line, "| `") && !strings.Contains(name, "/") {
			name = strings.Trim(name, "`")
			if out[name] != nil {
				t.Errorf("%s: %s stands twice", file, name)
			}
			for i := range cells {
				cells[i] = strings.TrimSpace(cells[i])
			}
			out[name] = cells
		}
	}
	delete(out, "fault")
	return out
}

// TestFaultTables holds SAFETY's table and that of TOPICS.md to the facts of control:
// each fault is there once, with how it ends, and with a reset exactly where only that
// ends it; a hand is sent nowhere before the disconnect is named.
func TestFaultTables(t *testing.T) {
	safety, topics := rowsOf(t, "SAFETY.md"), rowsOf(t, "deploy/TOPICS.md")
	for f := control.FaultKind(1); int(f) < control.FaultKinds; f++ {
		x := f.Facts()
		for file, row := range map[string][]string{"SAFETY.md": safety[x.Name], "TOPICS.md": topics[x.Name]} {
			if row == nil {
				t.Errorf("%s: %s is missing", file, x.Name)
				continue
			}
			ends := row[3]
			for lift, word := range map[control.Lift]string{control.LiftItself: "by itself", control.LiftStart: "start", control.LiftReset: "reset"} {
				if got, want := strings.Contains(ends, word), x.Lift&lift != 0; got != want {
					t.Errorf("%s: %s: %q stands there: %v, the facts say %v: %s", file, x.Name, word, got, want, ends)
				}
			}
			for _, hand := range []string{"hand goes", "look at the gates", "overload relay"} {
				if i := strings.Index(ends, hand); i >= 0 && !strings.Contains(ends[:i], "disconnect") {
					t.Errorf("%s: %s sends a hand before the disconnect: %s", file, x.Name, ends)
				}
			}
			for i, cell := range row {
				if cell == "" {
					t.Errorf("%s: %s: column %d is empty", file, x.Name, i)
				}
			}
		}
		if row := topics[x.Name]; row != nil && (row[2] == "alarm") != x.Grave {
			t.Errorf("TOPICS.md: %s is %s, grave: %v", x.Name, row[2], x.Grave)
		}
		delete(safety, x.Name)
		delete(topics, x.Name)
	}
	if len(safety)+len(topics) > 0 {
		t.Errorf("no such faults: %v, %v", safety, topics)
	}
}

// TestFaultAlerts: one alert rule tells of each fault, a critical one exactly of the
// grave.
func TestFaultAlerts(t *testing.T) {
	b, err := os.ReadFile("../../../../deploy/prometheus/kerfwind.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	rule := regexp.MustCompile(`- alert: (\w+)\n\s+expr: kerfwind_(?:faults\{fault(=|!=|=~|!~)"([^"]*)"\} > 0|(uncollected) == 1)\n\s+for: \w+\n\s+labels: \{ severity: (\w+) \}`)
	rules := rule.FindAllStringSubmatch(string(b), -1)
	for f := control.FaultKind(1); int(f) < control.FaultKinds; f++ {
		var told []string
		for _, r := range rules {
			is := regexp.MustCompile("^(?:" + r[3] + r[4] + ")$").MatchString(f.String())
			if is == strings.HasPrefix(r[2], "!") {
				continue
			}
			told = append(told, r[1])
			if grave := r[5] == "critical"; grave != f.Facts().Grave {
				t.Errorf("%s: the alert %s is %s, grave: %v", f, r[1], r[5], f.Facts().Grave)
			}
		}
		if len(told) != 1 {
			t.Errorf("%s: alerts %q, want one", f, told)
		}
	}
}
