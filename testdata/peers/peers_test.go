package peers

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// probe stands in for a test and keeps how it ended.
type probe struct {
	testing.TB
	end string
}

func (p *probe) Helper() {}

func (p *probe) Skipf(format string, args ...any) { p.stop("skip", format, args...) }

func (p *probe) Fatalf(format string, args ...any) { p.stop("fail", format, args...) }

func (p *probe) stop(how, format string, args ...any) {
	p.end = how + ": " + fmt.Sprintf(format, args...)
	panic(p)
}

// try runs f as a test would and returns how it ended, or nothing.
func try(t *testing.T, f func(testing.TB)) (end string) {
	p := &probe{TB: t}
	defer func() {
		if r := recover(); r != nil && r != any(p) {
			panic(r)
		}
		end = p.end
	}()
	f(p)
	return ""
}

func TestMissing(t *testing.T) {
	empty := t.TempDir()
	full := t.TempDir()
	if err := os.WriteFile(filepath.Join(full, "traces"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	absent := func(tb testing.TB) { Require(tb, "no-such-program", "nowhere to be had") }
	traces := func(tb testing.TB) { Shared(tb, "traces") }
	tests := []struct {
		name, env, value string
		f                func(testing.TB)
		want             string // how it ends
	}{
		{"a missing program skips", EnvPeers, "", absent, "skip: no program no-such-program (nowhere to be had)"},
		{"or fails on demand", EnvPeers, "require", absent, "fail: no program no-such-program"},
		{"shared files that are there", EnvShared, full, traces, ""},
		{"shared files that ought to be there", EnvShared, empty, traces, "fail: KERFWIND_SHARED is set"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Setenv(tt.env, tt.value)
			got := try(t, tt.f)
			if tt.want == "" && got != "" || !strings.HasPrefix(got, tt.want) {
				t.Errorf("ended with %q, want %q", got, tt.want)
			}
		})
	}
	t.Run("no shared folder beside the module", func(t *testing.T) {
		t.Setenv(EnvShared, "")
		if got := try(t, func(tb testing.TB) { Shared(tb, "no-such-file") }); !strings.HasPrefix(got, "skip: ") {
			t.Errorf("ended with %q, want a skip", got)
		}
	})
}
