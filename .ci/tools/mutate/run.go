package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// suite is a package of tests, built with the mutants in it.
type suite struct {
	dir    string // below the root
	flags  []string
	binary string
	record string
	tests  []*test
}

// test is one test function, and what it reaches.
type test struct {
	Name    string
	Part    string        `json:",omitempty"` // of a test in parts; "" all of it
	CPU     time.Duration // processor time alone
	Reaches map[int]bool
}

// build builds the tests of a package, once to record what each of them reaches and once to
// run the mutants.
func build(root, work string, w *woven, dir string, flags []string) (*suite, error) {
	s := &suite{dir: filepath.Join(root, filepath.FromSlash(dir)), flags: append([]string{"-test.short"}, flags...)}
	flat := strings.ReplaceAll(w.dir+"."+dir, "/", "_")
	for _, v := range []struct {
		what, helper string
		to           *string
	}{
		{"run", fmt.Sprintf(runHelper, w.name), &s.binary},
		{"record", fmt.Sprintf(recordHelper, w.name, len(w.mutants)+1), &s.record},
	} {
		overlay, err := w.overlay(root, filepath.Join(work, flat+"."+v.what), v.helper)
		if err != nil {
			return nil, err
		}
		*v.to = filepath.Join(work, flat+"."+v.what+".test")
		cmd := exec.Command("go", "test", "-c", "-vet=off", "-overlay", overlay, "-o", *v.to, "./"+dir)
		cmd.Dir = root
		if out, err := cmd.CombinedOutput(); err != nil {
			return nil, fmt.Errorf("with its mutants in it ./%s does not build:\n%s", dir, out)
		}
	}
	return s, nil
}

// survey is what look finds, or found for the same binary and is still in the folder.
func (s *suite) survey(work string) error {
	binary, err := os.ReadFile(s.record)
	if err != nil {
		return err
	}
	file := filepath.Join(work, fmt.Sprintf("survey.%x.json", sha256.Sum256(append(binary, skip...))))
	if text, err := os.ReadFile(file); err == nil {
		return json.Unmarshal(text, &s.tests)
	}
	if err := s.look(work); err != nil {
		return err
	}
	text, err := json.Marshal(s.tests)
	if err != nil {
		return err
	}
	return os.WriteFile(file, text, 0o600)
}

// look runs each test alone to see which mutants it reaches. All of them must pass.
func (s *suite) look(work string) error {
	cmd := exec.Command(s.record, "-test.list", "^(Test|Fuzz|Example)")
	cmd.Dir = s.dir
	cmd.Env = append(os.Environ(), "KERFWIND_MUTANT_RECORD="+os.DevNull)
	out, err := cmd.Output()
	if err != nil {
		return fmt.Errorf("%s: %w", s.record, err)
	}
	leave, err := regexp.Compile(skip)
	if err != nil {
		return err
	}
	for _, name := range strings.Fields(string(out)) {
		if skip != "" && leave.MatchString(name) {
			continue
		}
		t, r, err := s.reach(work, name, "")
		if err != nil {
			return err
		}
		// A long test that has parts is run by those of its parts that reach a mutant.
		var parts []*test
		if t.CPU >= slow {
			for _, m := range regexp.MustCompile(`(?m)^    --- PASS: [^/\s]+/(\S+)`).FindAllStringSubmatch(r.out, -1) {
				part, _, err := s.reach(work, name, m[1])
				if err != nil {
					return err
				}
				parts = append(parts, part)
			}
		}
		if parts == nil {
			parts = []*test{t}
		}
		s.tests = append(s.tests, parts...)
	}
	slices.SortStableFunc(s.tests, func(a, b *test) int { return int(a.CPU - b.CPU) })
	return nil
}

// reach runs one test, or one part of it, and reads which mutants it reaches.
func (s *suite) reach(work, name, part string) (*test, result, error) {
	t := &test{Name: name, Part: part, Reaches: map[int]bool{}}
	record := filepath.Join(work, "reached")
	if err := os.RemoveAll(record); err != nil {
		return nil, result{}, err
	}
	r := s.start(s.record, pattern(name, []string{part}), 0, 0, "KERFWIND_MUTANT_RECORD="+record)
	if !r.passed {
		return nil, r, fmt.Errorf("%s fails in %s without any mutant:\n%s", name, s.dir, r.out)
	}
	t.CPU = r.cpu
	text, err := os.ReadFile(record)
	if err != nil {
		return nil, r, err
	}
	for _, n := range strings.Fields(string(text)) {
		id, err := strconv.Atoi(n)
		if err != nil {
			return nil, r, err
		}
		t.Reaches[id] = true
	}
	return t, r, nil
}

// pattern is what -test.run takes for a test, or some of its parts.
func pattern(name string, parts []string) string {
	if len(parts) == 0 || parts[0] == "" {
		return "^" + name + "$"
	}
	quoted := make([]string, len(parts))
	for i, p := range parts {
		quoted[i] = regexp.QuoteMeta(p)
	}
	return "^" + name + "$/^(" + strings.Join(quoted, "|") + ")$"
}

// slow is the processor time from which a test has a process of its own.
const slow = 150 * time.Millisecond

// result is what became of one process.
type result struct {
	passed bool
	over   bool // its time was over
	cpu    time.Duration
	out    string
}

// start runs tests in a process that has so much processor time and memory and no more: a mutant
// may loop for ever and fill the memory. The time on the clock is bound too, for one that waits for ever.
func (s *suite) start(binary, tests string, cpu time.Duration, mutant int, env ...string) result {
	seconds, wall := "unlimited", 10*time.Minute
	if cpu > 0 {
		seconds, wall = strconv.Itoa(int(cpu/time.Second)), 15*time.Second+4*cpu
	}
	ctx, cancel := context.WithTimeout(context.Background(), wall)
	defer cancel()
	args := append([]string{"-c", "ulimit -t " + seconds + "; ulimit -v 8000000; exec \"$0\" \"$@\"", binary, "-test.run", tests, "-test.failfast", "-test.v"}, s.flags...)
	cmd := exec.CommandContext(ctx, "sh", args...)
	cmd.Dir = s.dir
	cmd.Env = append(os.Environ(), "KERFWIND_MUTANT="+strconv.Itoa(mutant), "GOMAXPROCS=1", "GOGC=400", "GOTRACEBACK=none")
	cmd.Env = append(cmd.Env, env...)
	cmd.WaitDelay = time.Second
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	err := cmd.Run()
	r := result{passed: err == nil, out: out.String()}
	if cmd.ProcessState != nil {
		r.cpu = cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
	}
	r.over = ctx.Err() != nil || strings.Contains(r.out, "SIGXCPU") || cpu > 0 && r.cpu >= cpu
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) && ctx.Err() == nil {
		fmt.Fprintln(os.Stderr, binary, err) // it did not run at all
		os.Exit(2)
	}
	return r
}

// verdict says what the tests made of a mutant.
type verdict struct {
	by      string // the test that found it; "" none
	over    bool   // it was found because it took too long
	reached bool
}

var failed = regexp.MustCompile(`(?m)^\s*--- FAIL: ([A-Za-z0-9_]+)`)

// try runs the tests that reach a mutant: the quick ones in one process, then each slow one.
func try(suites []*suite, id int) verdict {
	var v verdict
	for _, s := range suites {
		type batch struct {
			name  string
			parts []string
			cpu   time.Duration
		}
		quick := batch{name: "("}
		var batches []*batch
		for _, t := range s.tests {
			switch {
			case !t.Reaches[id]:
			case t.Part == "" && t.CPU < slow:
				quick.name += t.Name + "|"
				quick.cpu += t.CPU
			default:
				i := slices.IndexFunc(batches, func(b *batch) bool { return b.name == t.Name && t.Part != "" })
				if i < 0 {
					i = len(batches)
					batches = append(batches, &batch{name: t.Name})
				}
				batches[i].cpu += t.CPU
				if t.Part != "" {
					batches[i].parts = append(batches[i].parts, t.Part)
				}
			}
		}
		slices.SortStableFunc(batches, func(a, b *batch) int { return cmp.Compare(a.cpu, b.cpu) })
		if quick.cpu > 0 {
			quick.name = strings.TrimSuffix(quick.name, "|") + ")"
			batches = slices.Insert(batches, 0, &quick)
		}
		for _, b := range batches {
			v.reached = true
			r := s.start(s.binary, pattern(b.name, b.parts), 2*time.Second+6*b.cpu, id)
			if r.passed {
				continue
			}
			v.by, v.over = "a crash", r.over
			if m := failed.FindStringSubmatch(r.out); m != nil {
				v.by = m[1]
			} else if r.over {
				v.by = "its time"
			}
			return v
		}
	}
	return v
}

// tryAll runs the mutants, so many at a time, and begins none after the end.
func tryAll(suites []*suite, mutants []*mutant, workers int, end time.Time, done func(*mutant, verdict)) {
	queue := make(chan *mutant)
	var wait sync.WaitGroup
	var lock sync.Mutex
	for range workers {
		wait.Go(func() {
			for m := range queue {
				v := try(suites, m.id)
				lock.Lock()
				done(m, v)
				lock.Unlock()
			}
		})
	}
	for _, m := range mutants {
		if time.Now().After(end) {
			break
		}
		queue <- m
	}
	close(queue)
	wait.Wait()
}
