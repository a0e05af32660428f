package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/feed"
	"kerfwind/cmd/kerfwind/internal/learning"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/sensor"
)

// learnFlags are the flags of learn.
type learnFlags struct {
	lookFlags
	machines  []string
	idle, run string
	labels    string
	running   []string
	rest      string
	dry       bool
}

func newLearn() *cobra.Command {
	var f learnFlags
	cmd := &cobra.Command{
		Use:   "learn --rig FILE [--shop FILE] [--machine NAME]...",
		Short: "Learn what each machine shows off and running, and propose its levels",
		Long: `Learn leads through each machine: leave it off, switch it on, let it run, switch
it off, and press Enter when the tool stands still. From that it works out the
idle level and its noise, the running level, the inrush, and how long the tool
coasts, and proposes start and stop levels with their margin in words.

What was learned goes into the state folder, never into your files. A level that
the shop file gives stands; else the learned one is in force; else the default.
"kerfwind check --state DIR" shows which. Levels learned on another supply are
doubtful and not used.

While kerfwind runs, the samples come from it, and it takes the levels up once
the shop is at rest. A machine that another computer of the shop senses can be
learned only while it runs, here or on the page. Where standard input has ended, nobody can say when the tool
stands still, and that is left out; and where nobody goes on for ten minutes,
learn gives up.

With --trace it learns from a recording. Without marks the steps are found as
they come: idle, the first start, the stop. Marks are given by hand (--running,
--rest) or by a labels file.`,
		Example: `  kerfwind learn --rig rig.toml --shop shops/barn.toml
  kerfwind learn --rig rig.toml --shop shops/barn.toml --machine planer
  kerfwind learn --rig rig.toml --shop shops/barn.toml --trace tuesday.flac --machine planer --running 12s-45s --rest 51s --state .`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, stop := untilEnded(cmd.Context())
			defer stop()
			return f.learn(ctx, cmd)
		},
	}
	f.add(cmd)
	f.addShop(cmd, "folder in which what was learned is kept (default: systemd's, else /var/lib/kerfwind)")
	fl := cmd.Flags()
	fl.StringArrayVar(&f.machines, "machine", nil, "learn this machine; may be repeated (default: all, one after the other)")
	fl.StringVar(&f.idle, "idle", "10 s", "how long to look at the machine off")
	fl.StringVar(&f.run, "run", "8 s", "how long to look at it running")
	fl.StringVar(&f.labels, "labels", "", "labels file of the recording: start,end,what,machine,channels")
	fl.StringArrayVar(&f.running, "running", nil, `the machine runs in this part of the recording, e.g. "12s-45s"; may be repeated`)
	fl.StringVar(&f.rest, "rest", "", "when the tool stands still in the recording, after its last run")
	fl.BoolVar(&f.dry, "dry-run", false, "say what would be learned and keep nothing")
	return cmd
}

// lesson is one machine to learn.
type lesson struct {
	name     string
	channels []int
	circuit  int
	coast    time.Duration // that of the shop file; 0 is not given
	collects bool          // it is the collector itself
}

// lessons lists the machines that are asked for, and what cannot be learned.
func (f *learnFlags) lessons(s *config.Shop) ([]lesson, error) {
	var all []lesson
	for i := range s.Machines {
		m := &s.Machines[i]
		all = append(all, lesson{name: m.Name, channels: m.Channels, circuit: m.Circuit, coast: m.Coast})
	}
	if c := &s.Collector; c.Channel >= 0 {
		all = append(all, lesson{name: "collector", channels: []int{c.Channel}, circuit: c.Circuit, coast: c.Coast, collects: true})
	}
	if len(f.machines) == 0 {
		all = slices.DeleteFunc(all, func(l lesson) bool { return len(l.channels) == 0 })
		if len(all) == 0 {
			return nil, errors.New("no machine has a current sensor: there is nothing to learn")
		}
		return all, nil
	}
	var out []lesson
	var errs []error
	for _, name := range f.machines {
		i := slices.IndexFunc(all, func(l lesson) bool { return l.name == name })
		switch {
		case i < 0:
			var known []string
			for _, l := range all {
				known = append(known, l.name)
			}
			errs = append(errs, fmt.Errorf("--machine %q: the shop has %s", name, strings.Join(known, ", ")))
		case len(all[i].channels) == 0:
			errs = append(errs, fmt.Errorf("--machine %q: no current sensor tells of it, so there are no levels to learn", name))
		default:
			out = append(out, all[i])
		}
	}
	return out, errors.Join(errs...)
}

// duration reads a flag that is a time. A time of a recording may also be
// written as 1m30s.
func duration(flag, text string) (time.Duration, error) {
	d, err := config.ParseDuration(text)
	if err != nil {
		if d2, err2 := time.ParseDuration(strings.TrimSpace(text)); err2 == nil {
			d, err = d2, nil
		}
	}
	if err == nil && d < 0 {
		err = errors.New("a time before the beginning")
	}
	if err != nil {
		return 0, fmt.Errorf("--%s %q: %w", flag, text, err)
	}
	return d, nil
}

// marks reads the marks that the flags give. nil: none are given.
func (f *learnFlags) marks(s *config.Shop, machine string) (*learning.Marks, error) {
	var m learning.Marks
	if f.labels != "" {
		var others []string
		for i := range s.Machines {
			if s.Machines[i].Name != machine {
				others = append(others, s.Machines[i].Name)
			}
		}
		file, err := os.Open(f.labels)
		if err != nil {
			return nil, err
		}
		m, err = learning.ReadLabels(f.labels, file, machine, others)
		if err = errors.Join(err, file.Close()); err != nil {
			return nil, err
		}
	}
	for _, text := range f.running {
		from, to, ok := strings.Cut(text, "-")
		if !ok {
			return nil, fmt.Errorf("--running %q: write two times, e.g. 12s-45s", text)
		}
		a, err1 := duration("running", from)
		b, err2 := duration("running", to)
		if err := errors.Join(err1, err2); err != nil {
			return nil, err
		}
		if b <= a {
			return nil, fmt.Errorf("--running %q: it ends before it begins", text)
		}
		m.Running = append(m.Running, learning.Span{From: a, To: b})
	}
	slices.SortFunc(m.Running, func(x, y learning.Span) int { return int(x.From - y.From) })
	if f.rest != "" {
		var err error
		if m.Rest, err = duration("rest", f.rest); err != nil {
			return nil, err
		}
	}
	if len(m.Running) == 0 {
		return nil, nil
	}
	return &m, nil
}

func (f *learnFlags) learn(ctx context.Context, cmd *cobra.Command) error {
	var errs []error
	idle, err := duration("idle", f.idle)
	errs = append(errs, err)
	run, err := duration("run", f.run)
	errs = append(errs, err)
	marked := f.labels != "" || len(f.running) > 0
	if len(f.trace) == 0 && (marked || f.rest != "") {
		errs = append(errs, errors.New("--labels, --running and --rest are about a recording: give --trace FILE too"))
	}
	if len(f.running) > 0 && len(f.machines) != 1 || f.rest != "" && len(f.machines) != 1 {
		errs = append(errs, errors.New("--running and --rest are about one machine: name it with --machine"))
	}
	if f.rest != "" && !marked {
		errs = append(errs, errors.New("--rest says when the tool stands still after a run: give --running or --labels too"))
	}
	if idle < 3*time.Second || run < 3*time.Second {
		errs = append(errs, errors.New("--idle and --run: at least 3 s each"))
	}
	if err := errors.Join(errs...); err != nil {
		return &exitError{exitUsage, err}
	}
	folder := stateFolder(f.state)
	if _, err := learnedIn(folder); err != nil { // before the work
		return err
	}
	// Levels do not matter while learning, so none that were learned are put in
	// force: a wrong one could not keep the channel from being learned anew.
	eye, err := f.open(cmd, nil, noticeTo(cmd.ErrOrStderr()))
	if err != nil {
		return err
	}
	defer func() { eye.close() }()
	list, err := f.lessons(eye.shop)
	if err != nil {
		return &exitError{exitUsage, err}
	}
	out := cmd.OutOrStdout()
	keys := (<-chan string)(nil)
	if len(f.trace) == 0 {
		keys = typed(cmd.InOrStdin())
	}
	bad, kept := 0, false
	for n, l := range list {
		if n > 0 && len(f.trace) > 0 { // from the beginning again
			eye.close()
			if eye, err = f.open(cmd, nil, noticeTo(cmd.ErrOrStderr())); err != nil {
				return err
			}
		}
		p := learning.Params{Machine: l.name, Channels: l.channels, Names: eye.names(), Idle: idle, Run: run, Coast: !l.collects && len(f.trace) == 0}
		for _, ch := range l.channels {
			if step := eye.shop.Rig.Step(ch); len(f.trace) == 0 || !f.amps {
				p.Step = max(p.Step, step)
			}
		}
		fmt.Fprintf(out, "%s, on channel %s\n", l.name, channelNames(eye.shop.Rig, l.channels))
		session, err := f.session(ctx, eye, p, keys, out)
		if errors.Is(err, context.Canceled) || errors.Is(err, errQuit) {
			return eye.takeUp(context.WithoutCancel(ctx), out, kept)
		}
		if errors.Is(err, errSkip) {
			fmt.Fprint(out, "  left out\n\n")
			continue
		}
		var r learning.Result
		switch {
		case err == nil:
			r, err = session.Result()
		case !errors.Is(err, learning.ErrNoRun):
			return err
		}
		if err != nil {
			bad++
			fmt.Fprintf(out, "  nothing was learned:\n    %s\n\n", strings.ReplaceAll(err.Error(), "\n", "\n    "))
			continue
		}
		f.report(out, eye.shop, l, r)
		volts, hertz := eye.shop.Supply(l.circuit)
		about := learning.About{Sensors: eye.shop.Rig.Sensors(l.channels), Volts: volts, Hertz: hertz, When: time.Now().Format(time.DateOnly)}
		for _, ch := range l.channels {
			about.Calibrations = append(about.Calibrations, eye.shop.Rig.Calibration(ch))
		}
		channels, machine := session.Learned(r, about)
		if f.dry {
			fmt.Fprint(out, "  not kept: --dry-run\n\n")
			continue
		}
		err = state.ChangeLearned(folder, func(known *sensor.Learned) { known.Add(channels, []sensor.LearnedMachine{machine}) })
		if err != nil {
			return err
		}
		kept = true
		fmt.Fprintf(out, "  kept in %s/%s\n\n", strings.TrimSuffix(folder, "/"), state.LearnedFile)
	}
	if err := eye.takeUp(ctx, out, kept); err != nil {
		return err
	}
	if bad > 0 {
		return fmt.Errorf("%d of %d machines could not be learned", bad, len(list))
	}
	return nil
}

// takeUp has the kerfwind that the rig is looked at through read what was
// learned, if there is either.
func (l *look) takeUp(ctx context.Context, out io.Writer, learned bool) error {
	if l.runtime == "" || !learned {
		return nil
	}
	c, err := socket.Dial(l.runtime)
	if err == nil {
		_, err = c.Do(ctx, socket.Request{Do: socket.DoReload})
		_ = c.Close() // the answer has come
	}
	if err != nil {
		return fmt.Errorf("what was learned is kept, but the running kerfwind was not told: %w; have it read its files by \"systemctl reload kerfwind\"", err)
	}
	fmt.Fprintln(out, "The running kerfwind takes the levels up once the shop is at rest.")
	return nil
}

// aloneMost is how long one step may take, of the stream, where standard input
// has ended: our own choice, enough to walk to the machine.
const aloneMost = 10 * time.Minute

// The person has had enough of this machine, or of all.
var errSkip, errQuit = errors.New("skipped"), errors.New("ended")

// pupil is what the session of a terminal and that of marks have in common.
type pupil interface {
	Read(sensor.Reading)
	Result() (learning.Result, error)
	Learned(learning.Result, learning.About) ([]sensor.LearnedChannel, sensor.LearnedMachine)
}

// session runs one machine's lesson to its end.
func (f *learnFlags) session(ctx context.Context, eye *look, p learning.Params, keys <-chan string, out io.Writer) (pupil, error) {
	marks, err := f.marks(eye.shop, p.Machine)
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	if marks != nil {
		s := learning.NewMarked(p, *marks)
		_, err := eye.Run(ctx, feed.Sink{Reading: s.Read})
		return s, err
	}
	s := learning.New(p)
	show := prompter{out: out, live: keys != nil, bar: newProgressLine(out)}
	alone := false // nobody is there to say when the tool stands still, or to end it
	var since time.Duration
	end, err := eye.run(p.Channels)(ctx, feed.Sink{Reading: s.Read, Each: func(now time.Duration) error {
		for more := true; more; {
			select {
			case line, ok := <-keys:
				switch {
				case !ok:
					keys, alone = nil, true
				case line == "":
					s.Mark(now)
				case line == "s" && s.Prompt(now).Step == learning.Rest:
					s.Skip(now)
				case line == "s":
					return errSkip
				case line == "q":
					return errQuit
				}
			default:
				more = false
			}
		}
		if alone && s.Prompt(now).Step == learning.Rest {
			s.Skip(now)
		}
		prompt := s.Prompt(now)
		if prompt.Step != show.step || !alone {
			since = now
		}
		if now-since > aloneMost {
			return fmt.Errorf("%s: nobody went on for %s with: %s", p.Machine, config.FormatDuration(aloneMost), prompt.Text)
		}
		show.show(&prompt)
		if prompt.Step == learning.Done {
			return feed.ErrStop
		}
		return nil
	}})
	s.End(end)
	show.bar.end()
	return s, err
}

// typed delivers the lines of the person.
func typed(r io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(r); s.Scan(); {
			lines <- strings.ToLower(strings.TrimSpace(s.Text()))
		}
	}()
	return lines
}

// prompter shows what to do: one line a step, and on a terminal how far it is.
type prompter struct {
	out  io.Writer
	live bool
	bar  *progressLine
	step learning.Step
}

func (w *prompter) show(p *learning.Prompt) {
	if !w.live {
		return // nobody can do anything about a recording
	}
	if p.Step != w.step {
		w.bar.end()
		w.step = p.Step
		if p.Step == learning.Done {
			return
		}
		hint := "s = leave this machine out, q = end"
		if p.Key != "" {
			hint = "Enter = " + p.Key + ", " + hint
		}
		if p.Step == learning.Rest {
			hint = "Enter = " + p.Key + ", s = not known, q = end"
		}
		fmt.Fprintf(w.out, "  %s (%s)\n", p.Text, hint)
	}
	w.bar.show(func() string {
		line := fmt.Sprintf("    %7.2f A", p.Amps)
		if p.Share > 0 {
			line += fmt.Sprintf("  %3.0f %%", 100*p.Share)
		}
		if p.Other != "" {
			line += "  a current rises on " + p.Other + " instead"
		}
		return line
	})
}

// report says what was learned.
func (f *learnFlags) report(out io.Writer, s *config.Shop, l lesson, r learning.Result) {
	amps := func(a float64) string { return config.Metric.Format(config.Current, a) }
	line := func(what, format string, a ...any) { fmt.Fprintf(out, "  %-9s %s\n", what, fmt.Sprintf(format, a...)) }
	for i, g := range r.Figures {
		if len(r.Figures) > 1 {
			fmt.Fprintf(out, "  channel %s\n", s.Rig.Channels[l.channels[i]].Name)
		}
		spikes := ""
		if g.Spikes > 0 {
			spikes = fmt.Sprintf("; %d values of spikes left out", g.Spikes)
		}
		line("idle", "%s, spread %s, up to %s%s", amps(g.Idle.Mean), amps(g.Idle.Spread), amps(g.Top), spikes)
		if g.Run.Mean > 0 {
			line("running", "%s, spread %s, at least %s", amps(g.Run.Mean), amps(g.Run.Spread), amps(g.Least))
			if settle := config.FormatDuration(g.Settle.Round(10 * time.Millisecond)); g.Inrush > 1.3*g.Run.Mean {
				line("inrush", "up to %s, over after %s", amps(g.Inrush), settle)
			} else {
				line("inrush", "none; full current after %s", settle)
			}
		}
	}
	if r.Coast > 0 {
		coast := config.FormatDuration(r.Coast.Round(100 * time.Millisecond))
		switch d := r.Coast - l.coast; {
		case l.coast == 0:
			line("coast", "%s: write coast = %q in the shop file", coast, coast)
		case d > l.coast/5 || d < -l.coast/5:
			line("coast", "%s; the shop file says %s", coast, config.FormatDuration(l.coast))
		default:
			line("coast", "%s, as the shop file has it", coast)
		}
	}
	if r.Proposal.Margin == sensor.NoMargin {
		line("levels", "none; margin %s", r.Proposal.Words())
		return
	}
	line("levels", "start %s, stop %s; margin %s", amps(r.Proposal.Start), amps(r.Proposal.Stop), r.Proposal.Words())
}

func channelNames(r *config.Rig, channels []int) string {
	var out []string
	for _, ch := range channels {
		out = append(out, r.Channels[ch].Name)
	}
	return strings.Join(out, " and ")
}
