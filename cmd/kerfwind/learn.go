package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/socket"
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
		Args:  cobra.NoArgs,
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
	fl.StringVar(&f.rest, "rest", "", "when the tool has stopped in the recording, after its last run")
	fl.BoolVar(&f.dry, "dry-run", false, "say what would be learned and keep nothing")
	return cmd
}

// checked reads the times, and what does not go together.
func (f *learnFlags) checked() (o guide.LessonOptions, err error) {
	var errs []error
	o.Recorded, o.Amperes = len(f.trace) > 0, f.amps
	for _, x := range []struct {
		flag, text string
		to         *time.Duration
	}{{"idle", f.idle, &o.Idle}, {"run", f.run, &o.Run}} {
		*x.to, err = duration(x.flag, x.text)
		errs = append(errs, err)
	}
	marked := f.labels != "" || len(f.running) > 0
	if !o.Recorded && (marked || f.rest != "") {
		errs = append(errs, errors.New("--labels, --running and --rest are about a recording: give --trace FILE too"))
	}
	if len(f.running) > 0 && len(f.machines) != 1 || f.rest != "" && len(f.machines) != 1 {
		errs = append(errs, errors.New("--running and --rest are about one machine: name it with --machine"))
	}
	if f.rest != "" && !marked {
		errs = append(errs, errors.New("--rest says when the tool has stopped after a run: give --running or --labels too"))
	}
	if o.Idle < 3*time.Second || o.Run < 3*time.Second {
		errs = append(errs, errors.New("--idle and --run: at least 3 s each"))
	}
	return o, errors.Join(errs...)
}

func (f *learnFlags) learn(ctx context.Context, cmd *cobra.Command) error {
	o, err := f.checked()
	if err != nil {
		return &exitError{exitUsage, err}
	}
	folder := stateFolder(f.state)
	if _, err := learnedIn(folder); err != nil { // before the work
		return err
	}
	// Levels do not matter while learning, so none that were learned are put in
	// force: a wrong one could not keep the channel from being learned again.
	open := func() (*record.Tap, error) { return f.open(cmd, nil, noticeTo(cmd.ErrOrStderr())) }
	tap, err := open()
	if err != nil {
		return err
	}
	list, err := guide.Choose(tap.Shop, f.machines)
	if err != nil {
		tap.Close()
		return &exitError{exitUsage, err}
	}
	out := cmd.OutOrStdout()
	c := guide.Course{LessonOptions: o, Given: movein.LearningGiven{Labels: f.labels, Running: f.running, Rest: f.rest}, Out: out, Folder: folder, Dry: f.dry, Open: open}
	if !o.Recorded {
		c.Keys = guide.Typed(cmd.InOrStdin())
	}
	err = c.Teach(ctx, tap, list)
	if errors.As(err, new(*guide.MarksError)) {
		return &exitError{exitConfig, err}
	}
	ended := errors.Is(err, context.Canceled) || errors.Is(err, guide.ErrQuit)
	if err != nil && !ended {
		return err
	}
	if err := takeUp(context.WithoutCancel(ctx), tap.Runtime, out, c.Kept); err != nil {
		return err
	}
	if c.Bad > 0 && !ended {
		return fmt.Errorf("%d of %d machines could not be learned", c.Bad, len(list))
	}
	return nil
}

// takeUp has the kerfwind of a runtime folder read what was learned, if there is
// either.
func takeUp(ctx context.Context, runtime string, out io.Writer, learned bool) error {
	if runtime == "" || !learned {
		return nil
	}
	if _, err := socket.At(runtime).Reload(ctx); err != nil {
		return fmt.Errorf("what was learned is kept, but the running kerfwind was not told: %w; have it read its files by \"systemctl reload kerfwind\"", err)
	}
	fmt.Fprintln(out, "The running kerfwind takes the levels up once the shop is at rest.")
	return nil
}
