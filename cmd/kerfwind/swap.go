package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/shopfiles"
)

// swapFlags are the flags of the swaps.
type swapFlags struct {
	chosenFlags
	yes, preview, switchesStay bool
}

func newSwap() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "swap",
		Short: "Exchange two gates, two sensors, or the gate of a machine",
	}
	var f swapFlags
	one := func(use, short string, run func([]string) shopfiles.Swap) *cobra.Command {
		c := &cobra.Command{Use: use, Short: short, Args: cobra.ExactArgs(2)}
		c.RunE = func(cmd *cobra.Command, args []string) error { return f.run(cmd, run(args)) }
		f.add(c)
		c.Flags().BoolVar(&f.yes, "yes", false, "do not ask")
		c.Flags().BoolVar(&f.preview, "preview", false, "say what would change, and end")
		c.MarkFlagsMutuallyExclusive("yes", "preview")
		return c
	}
	gates := one("gates GATE GATE", "Exchange what moves two gates",
		func(a []string) shopfiles.Swap {
			s := shopfiles.Swap{Kind: shopfiles.Gates, A: a[0], B: a[1]}
			if f.switchesStay {
				s.Kind = shopfiles.Outputs
			}
			return s
		})
	gates.Flags().BoolVar(&f.switchesStay, "switches-stay", false, "the end switches stay where they are")
	sensors := one("sensors MACHINE MACHINE", "Exchange what tells that two machines run",
		func(a []string) shopfiles.Swap { return shopfiles.Swap{Kind: shopfiles.Sensors, A: a[0], B: a[1]} })
	place := one("gate-of MACHINE GATE", "Put a machine to another gate",
		func(a []string) shopfiles.Swap { return shopfiles.Swap{Kind: shopfiles.GateOf, A: a[0], B: a[1]} })
	cmd.AddCommand(gates, sensors, place)
	return cmd
}

func (f *swapFlags) run(cmd *cobra.Command, s shopfiles.Swap) error {
	ctx := cmd.Context()
	v, err := f.service(ctx)
	if err != nil {
		return err
	}
	var b *shopfiles.Base
	if f.shop == "" {
		if _, _, err := f.chosen(ctx); err != nil { // it says what is to be done
			return err
		}
		b, err = v.Base(ctx)
	} else {
		var file string
		if file, err = f.shelf().Find(f.shop); err == nil {
			b, err = v.BaseOf(file)
		}
	}
	if err != nil {
		return err
	}
	p, err := v.Work(b, s)
	if err != nil {
		return err
	}
	w := cmd.OutOrStdout()
	fmt.Fprintf(w, "From %s:\n", b.File)
	shopfiles.Bullets(w, p.Changes)
	if len(p.Mind) > 0 {
		fmt.Fprintln(w, "Mind:")
		shopfiles.Bullets(w, p.Mind)
	}
	if f.preview {
		return nil
	}
	if !f.yes {
		fmt.Fprint(w, "The gates are homed then: hands and tools away. Swap? (yes or no) ")
		if answer, err := live.FirstLine(cmd.InOrStdin()); err != nil || !slices.Contains([]string{"yes", "y"}, strings.TrimSpace(answer)) {
			fmt.Fprintln(w)
			return errors.Join(err, errors.New("nothing was changed"))
		}
	}
	t, err := v.Carry(ctx, p)
	if err != nil {
		return err
	}
	if err := sayTicket(w, t.File, &t); err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "To go back: %s\n", f.shelf().Back(b.File))
	return err
}
