package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/shopfiles"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
)

// chosenFlags find the shop that is in force, or comes next.
type chosenFlags struct {
	useFlags
	shop string
}

func (f *chosenFlags) add(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringVar(&f.rig, "rig", "/etc/kerfwind/rig.toml", "rig file")
	fl.StringVar(&f.shop, "shop", "", "shop file, or the name of one (default: the one in force)")
	fl.StringVar(&f.state, "state", "", stateUsage)
	addRuntime(cmd, &f.runtime)
}

// stateUsage says what the flag --state is for.
const stateUsage = "folder of what is kept over a restart (default: systemd's, else /var/lib/kerfwind)"

// file is the path of the shop file.
func (f *chosenFlags) file(ctx context.Context) (string, error) {
	if f.shop != "" {
		return f.find(f.shop)
	}
	file, _, err := f.chosen(ctx)
	return file, err
}

// chosen is the file of the shop that is in force or waits to be, and why: the
// one that was chosen, else what the kerfwind that runs says.
func (f *useFlags) chosen(ctx context.Context) (file, why string, err error) {
	if file, err = daemon.ActiveShop(stateFolder(f.state)); err != nil {
		return "", "", &exitError{exitConfig, err}
	}
	if file != "" {
		return file, daemon.Choice{File: file, Chosen: true}.Why(), nil
	}
	st, err := statusOf(ctx, rig.Folder(f.runtime))
	if errors.Is(err, socket.ErrNobody) {
		return "", "", errors.New(`no shop was chosen by "kerfwind use", and no kerfwind runs that could tell: name the file by --shop`)
	}
	if err != nil {
		return "", "", err
	}
	if st.File == "" {
		return "", "", errors.New("kerfwind runs without a shop file: make one by kerfwind movein")
	}
	return ofProcess(st.PID, st.File), st.FileWhy, nil
}

// ofProcess is a path as a process sees it.
func ofProcess(pid int, path string) string {
	if filepath.IsAbs(path) {
		return path
	}
	if dir, err := os.Readlink("/proc/" + strconv.Itoa(pid) + "/cwd"); err == nil {
		return filepath.Join(dir, path)
	}
	return path // as from here
}

// base reads the shop in force and the rig.
func (f *chosenFlags) base(ctx context.Context) (*shopfiles.Base, error) {
	r, err := config.LoadRig(f.rig)
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	file, err := f.file(ctx)
	if err != nil {
		return nil, err
	}
	if filepath.Base(file) == guide.BenchFile {
		return nil, errMovingIn
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	return &shopfiles.Base{File: shopfiles.FromState(stateFolder(f.state), file), Text: text, Rig: r}, nil
}

var errMovingIn = errors.New("a move-in is under way: end it first (kerfwind movein)")

// swapFlags are the flags of the swaps.
type swapFlags struct {
	chosenFlags
	yes, preview, switchesStay bool
}

func newSwap() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "swap",
		Short: "Exchange two gates, two sensors, or the gate of a machine",
		Long: `Swap corrects a shop in which two things are the other way round, or puts down
that a machine was moved. It says first what changes, and asks. Then it writes a
new shop file into the state folder and chooses it, as "kerfwind use" does; no
file is changed. The running kerfwind takes it up at rest and homes the gates
then: hands and tools away.

Going back is "kerfwind use" with the shop before; swap names it at the end.`,
	}
	var f swapFlags
	one := func(use, short, long, example string, run func([]string) shopfiles.Swap) *cobra.Command {
		c := &cobra.Command{Use: use, Short: short, Long: long, Example: example, Args: cobra.ExactArgs(2)}
		c.RunE = func(cmd *cobra.Command, args []string) error { return f.run(cmd, run(args)) }
		f.add(c)
		c.Flags().BoolVar(&f.yes, "yes", false, "do not ask")
		c.Flags().BoolVar(&f.preview, "preview", false, "say what would change, and end")
		c.MarkFlagsMutuallyExclusive("yes", "preview")
		return c
	}
	gates := one("gates GATE GATE", "Exchange what moves two gates",
		`Gates exchanges the outputs of two gates, with travel, direction and end switches.
Names, ducts and buttons stay. With --switches-stay the end switches stay too:
then only the two plugs were mixed up.`,
		`  kerfwind swap gates planer "drum sander"`,
		func(a []string) shopfiles.Swap {
			s := shopfiles.Swap{Kind: shopfiles.Gates, A: a[0], B: a[1]}
			if f.switchesStay {
				s.Kind = shopfiles.Outputs
			}
			return s
		})
	gates.Flags().BoolVar(&f.switchesStay, "switches-stay", false, "the end switches stay where they are")
	sensors := one("sensors MACHINE MACHINE", "Exchange what tells that two machines run",
		`Sensors exchanges the transformers, contacts or topics of two machines. One of
them may be collector. Levels in the file stay with their machine. What was
learned belongs to machine and sensor together: it holds again if the machine was
learned on that sensor before, and is not used otherwise.`,
		`  kerfwind swap sensors planer "band saw"`,
		func(a []string) shopfiles.Swap { return shopfiles.Swap{Kind: shopfiles.Sensors, A: a[0], B: a[1]} })
	place := one("gate-of MACHINE GATE", "Put a machine to another gate",
		`Gate-of says that a machine stands at another gate's branch. The machine that
stood there comes to the first one's place. Run-ons follow the duct.`,
		`  kerfwind swap gate-of planer "floor sweep"`,
		func(a []string) shopfiles.Swap { return shopfiles.Swap{Kind: shopfiles.GateOf, A: a[0], B: a[1]} })
	cmd.AddCommand(gates, sensors, place)
	return cmd
}

func (f *swapFlags) run(cmd *cobra.Command, s shopfiles.Swap) error {
	b, err := f.base(cmd.Context())
	if err != nil {
		return err
	}
	folder := stateFolder(f.state)
	learned, err := learnedIn(folder)
	if err != nil {
		return err
	}
	p, err := shopfiles.NewPlan(b, learned, s)
	if err != nil {
		return err
	}
	w := cmd.OutOrStdout()
	fmt.Fprintf(w, "From %s:\n", b.File)
	bullets(w, p.Changes)
	if len(p.Mind) > 0 {
		fmt.Fprintln(w, "Mind:")
		bullets(w, p.Mind)
	}
	if f.preview {
		return nil
	}
	if !f.yes {
		fmt.Fprint(w, "The gates are homed then: hands and tools away. Swap? (yes or no) ")
		if answer, err := firstLine(cmd.InOrStdin()); err != nil || answer != "yes" && answer != "y" {
			fmt.Fprintln(w)
			return errors.Join(err, errors.New("nothing was changed"))
		}
	}
	made, err := p.Write(folder, time.Now().Format(time.DateOnly))
	if err != nil {
		return err
	}
	file, err := filepath.Abs(shopfiles.At(folder, made.Path()))
	if err == nil {
		err = f.choose(cmd, file)
	}
	if err != nil {
		return fmt.Errorf("%s is written, but not in force: %w", made.Path(), err)
	}
	_, err = fmt.Fprintf(w, "To go back: kerfwind use %s\n", shellWord(f.short(folder, b.File)))
	return err
}

// shellWord quotes a word for a shell if need be.
func shellWord(s string) string {
	if strings.ContainsAny(s, " '\"\\$*?[]();&|<>") {
		return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
	}
	return s
}

func bullets(w io.Writer, list []string) {
	for _, x := range list {
		fmt.Fprintln(w, wrapText(x, "- ", "  "))
	}
}

// firstLine reads the first line of what a person types, without its end.
func firstLine(r io.Reader) (string, error) {
	line, err := bufio.NewReader(io.LimitReader(r, 4096)).ReadString('\n')
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return strings.TrimSpace(line), err
}

func newShops() *cobra.Command {
	var f useFlags
	cmd := &cobra.Command{
		Use:   "shops",
		Short: "List the shop files that are kept, and what is different in each",
		Long: `Shops lists the shop files that kerfwind made, the newest first, then the owner's
beside the rig file: which is in force and why, when and how each was made, and
what is different in it from the one that it came from.

Going back to one is "kerfwind use NAME".`,
		Example: "  kerfwind shops\n  kerfwind shops diff barn barn.1",
		Args:    cobra.NoArgs,
		RunE:    func(cmd *cobra.Command, _ []string) error { return f.shops(cmd) },
	}
	diff := &cobra.Command{
		Use:   "diff SHOP SHOP",
		Short: "Say in words what is different in the second of two shop files",
		Args:  cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			var files [2]string
			for i := range files {
				var err error
				if files[i], err = f.find(args[i]); err != nil {
					return err
				}
			}
			list, err := shopfiles.Differences(files[0], files[1])
			if err != nil {
				return &exitError{exitConfig, err}
			}
			if len(list) == 0 {
				list = []string{"Nothing is different."}
			}
			bullets(cmd.OutOrStdout(), list)
			return nil
		},
	}
	for _, c := range []*cobra.Command{cmd, diff} {
		c.Flags().StringVar(&f.rig, "rig", "/etc/kerfwind/rig.toml", "rig file; the owner's shop files lie in the folder shops beside it")
		c.Flags().StringVar(&f.state, "state", "", stateUsage)
	}
	addRuntime(cmd, &f.runtime)
	cmd.AddCommand(diff)
	return cmd
}

func (f *useFlags) shops(cmd *cobra.Command) error {
	folder := stateFolder(f.state)
	now, why, err := f.chosen(cmd.Context())
	var exit *exitError
	if errors.As(err, &exit) {
		return err
	}
	extra := now // wherever it lies
	if filepath.Base(now) == guide.BenchFile {
		extra = ""
	}
	list, err := shopfiles.List(folder, filepath.Join(filepath.Dir(f.rig), "shops"), extra)
	if err != nil {
		return err
	}
	w := cmd.OutOrStdout()
	waits := ""
	if st, err := statusOf(cmd.Context(), rig.Folder(f.runtime)); err == nil {
		waits = st.Reload
	}
	found := false
	for i := range list {
		k := &list[i]
		mark := " "
		if now != "" && shopfiles.Same(shopfiles.At(folder, k.File), now) {
			mark, found = "*", true
		}
		if k.Trouble != nil {
			fmt.Fprintf(w, "%s %s: it cannot be read:\n%s\n", mark, k.Name, k.Trouble)
			continue
		}
		how := cmp.Or(k.How, "the owner's file of "+k.Made.Format(time.DateOnly))
		if !k.Owner && k.How == "" {
			how = "of " + k.Made.Format(time.DateOnly)
		}
		fmt.Fprintln(w, wrapText(fmt.Sprintf("%s (%q), %s", k.Name, k.Shop, how), mark+" ", "  "))
		if k.Before != "" {
			fmt.Fprintf(w, "  against %s:\n", k.Before)
			for _, c := range k.Changes {
				fmt.Fprintln(w, wrapText(c, "  - ", "    "))
			}
		}
	}
	switch {
	case now == "":
		fmt.Fprintln(w, "None was chosen, and no kerfwind runs.")
	case found && waits != "":
		fmt.Fprintf(w, "* comes in force once the shop is at rest: %s\n", why)
	case found:
		fmt.Fprintf(w, "* is in force: %s\n", why)
	default:
		fmt.Fprintf(w, "In force: %s, %s\n", now, why)
	}
	if now == "" {
		return nil
	}
	if before, ok := shopfiles.Previous(folder, shopfiles.FromState(folder, now)); ok {
		fmt.Fprintf(w, "To go back: kerfwind use %s\n", shellWord(f.short(folder, before)))
	}
	return nil
}

// short is what a person types for a shop file.
func (f *useFlags) short(folder, file string) string {
	name := strings.TrimSuffix(filepath.Base(file), ".toml")
	path := shopfiles.At(folder, file)
	if got, err := f.find(name); err == nil && shopfiles.Same(got, path) {
		return name
	}
	if abs, err := filepath.Abs(path); err == nil {
		return abs
	}
	return path
}
