package metrics

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/grafana/grafana-foundation-sdk/go/dashboard"

	"kerfwind/testdata/peers"
)

const deploy = "../../../../deploy/"

// metricName finds our metrics in an expression.
var metricName = regexp.MustCompile(`kerfwind_[a-z_]+`)

// unknownNames lists the metrics in text that the program does not serve.
func unknownNames(t *testing.T, text string) []string {
	t.Helper()
	known := names(scrape(t, day(t)))
	var bad []string
	for _, n := range metricName.FindAllString(text, -1) {
		if _, ok := slices.BinarySearch(known, n); !ok {
			bad = append(bad, n)
		}
	}
	return bad
}

// expressions are those of the dashboard's panels, with its variables filled
// in as the page would.
func expressions(t *testing.T, text []byte) []string {
	t.Helper()
	var d struct {
		Panels []struct {
			Type    string
			Title   string
			Targets []struct{ Expr string }
		}
	}
	if err := json.Unmarshal(text, &d); err != nil {
		t.Fatal(err)
	}
	fill := strings.NewReplacer("$__rate_interval", "1m", "$__range", "8h", "$instance", ".*")
	var out []string
	for _, p := range d.Panels {
		if p.Type != "row" && len(p.Targets) == 0 {
			t.Errorf("panel %q shows nothing", p.Title)
		}
		for _, x := range p.Targets {
			e := fill.Replace(x.Expr)
			if strings.Contains(e, "$") || e == "" {
				t.Errorf("panel %q: %q", p.Title, x.Expr)
			}
			out = append(out, e)
		}
	}
	return out
}

// TestDashboard holds the dashboard to the schema of its makers
// (grafana-foundation-sdk), its queries to promtool and its metrics to ours.
func TestDashboard(t *testing.T) {
	text, err := os.ReadFile(deploy + "grafana/kerfwind.json")
	if err != nil {
		t.Fatal(err)
	}
	var d dashboard.Dashboard //nolint:staticcheck // the newer schema is not what the servers of today import from a file
	// It returns an empty list of errors, which is not a nil error.
	if err := d.UnmarshalJSONStrict(text); err != nil && err.Error() != "" {
		t.Errorf("schema: %v", err)
	}
	if err := d.Validate(); err != nil {
		t.Errorf("validation: %v", err)
	}
	list := expressions(t, text)
	if len(list) < 20 {
		t.Fatalf("only %d queries", len(list))
	}
	if bad := unknownNames(t, strings.Join(list, "\n")); bad != nil {
		t.Errorf("no such metrics: %q", bad)
	}
	rules := "groups:\n  - name: dashboard\n    rules:\n"
	for i, e := range list {
		rules += fmt.Sprintf("      - { record: \"panel:%d\", expr: %s }\n", i, strconv.Quote(e))
	}
	promtool := peers.Require(t, "promtool", "Debian package prometheus")
	if out, err := exec.Command(promtool, "check", "rules", write(t, t.TempDir(), "rules.yml", rules)).CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// TestAlerts: promtool accepts the rules and their tests; every rule is shown
// to fire and to keep quiet; the metrics exist.
func TestAlerts(t *testing.T) {
	rules, err := os.ReadFile(deploy + "prometheus/kerfwind.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	tests, err := os.ReadFile(deploy + "prometheus/kerfwind.test.yml")
	if err != nil {
		t.Fatal(err)
	}
	if bad := unknownNames(t, regexp.MustCompile(`(?m)^\s*#.*$|kerfwind\.(rules|test)`).ReplaceAllString(string(rules), "")); bad != nil {
		t.Errorf("no such metrics: %q", bad)
	}
	alerts := regexp.MustCompile(`- alert: (\w+)`).FindAllStringSubmatch(string(rules), -1)
	if len(alerts) < 10 {
		t.Fatalf("only %d rules", len(alerts))
	}
	for _, a := range alerts {
		quiet := fmt.Sprintf("alertname: %s\n        exp_alerts: []", a[1])
		loud := fmt.Sprintf("alertname: %s\n        exp_alerts:\n          - exp_labels", a[1])
		if !strings.Contains(string(tests), quiet) || !strings.Contains(string(tests), loud) {
			t.Errorf("%s: kerfwind.test.yml must show it quiet and loud", a[1])
		}
	}
	promtool := peers.Require(t, "promtool", "Debian package prometheus")
	for _, args := range [][]string{{"check", "rules", "kerfwind.rules.yml"}, {"test", "rules", "kerfwind.test.yml"}} {
		cmd := exec.Command(promtool, args...)
		cmd.Dir = deploy + "prometheus"
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("promtool %v: %v\n%s", args, err, out)
		}
	}
}

// freePort is a TCP port that was free a moment ago.
func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// TestScrape lets a real server scrape, natively with native histograms, and
// asks it for what the script of the day must give.
func TestScrape(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("starts a server")
	}
	prometheus := peers.Require(t, "prometheus", "Debian package prometheus")
	page := httptest.NewServer(day(t).Handler())
	defer page.Close()
	rules, err := filepath.Abs(deploy + "prometheus/kerfwind.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	dir, listen := t.TempDir(), freePort(t)
	conf := write(t, dir, "prometheus.yml", fmt.Sprintf(`
global: { scrape_interval: 1s, evaluation_interval: 1s }
rule_files: [%q]
scrape_configs:
  - job_name: kerfwind
    metrics_path: /
    static_configs: [{ targets: [%q] }]
`, rules, strings.TrimPrefix(page.URL, "http://")))
	var log strings.Builder
	cmd := exec.Command(prometheus, "--config.file="+conf, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+listen,
		"--enable-feature=native-histograms", "--log.level=warn")
	cmd.Stdout, cmd.Stderr = &log, &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		_ = cmd.Process.Kill() // it keeps nothing
		_ = cmd.Wait()
	}()
	ask := func(expr string) (status string, values []any, text string) {
		resp, err := http.Get("http://" + listen + "/api/v1/query?query=" + url.QueryEscape(expr))
		if err != nil {
			return "", nil, err.Error()
		}
		defer resp.Body.Close()
		var v struct {
			Status string
			Data   struct {
				Result []struct{ Value [2]any }
			}
		}
		body, err := io.ReadAll(resp.Body)
		if err == nil {
			err = json.Unmarshal(body, &v)
		}
		if err != nil {
			return "", nil, err.Error()
		}
		for _, r := range v.Data.Result {
			values = append(values, r.Value[1])
		}
		return v.Status, values, string(body)
	}
	query := func(expr string) string {
		_, values, text := ask(expr)
		if len(values) != 1 {
			return text
		}
		return fmt.Sprint(values[0])
	}
	deadline := time.Now().Add(30 * time.Second)
	for _, c := range []struct{ expr, want string }{
		{`up{job="kerfwind"}`, "1"},
		{`kerfwind_collector_starts_total`, "2"},
		{`kerfwind_machine_run_seconds_total{machine="thickness planer"}`, "60"},
		{`histogram_count(kerfwind_detection_latency_seconds{edge="start"})`, "2"},
		{`ALERTS{alertname="KerfwindSensorNotTrusted",channel="c0"}`, "1"},
		{`count(increase(kerfwind_collector_starts_total[1m]))`, "1"}, // it has scraped twice
	} {
		got := ""
		for tick := time.NewTicker(50 * time.Millisecond); got != c.want; <-tick.C { //clock:ok a server scrapes when it likes
			if got = query(c.expr); got != c.want && time.Now().After(deadline) {
				t.Fatalf("%s: %s, want %s\n%s", c.expr, got, c.want, log.String())
			}
		}
	}
	panels, err := os.ReadFile(deploy + "grafana/kerfwind.json")
	if err != nil {
		t.Fatal(err)
	}
	full := 0
	for _, e := range expressions(t, panels) {
		status, values, text := ask(e)
		if status != "success" {
			t.Errorf("%s: %s", e, text)
		}
		if len(values) > 0 {
			full++
		} else {
			t.Logf("no data: %s", e)
		}
	}
	// The others read classic buckets, which a server with native histograms does not keep,
	// or faults that come up while it is scraped.
	if full < 26 {
		t.Errorf("only %d panels have data", full)
	}

}
