package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
)

func newUpkeep() *cobra.Command {
	var state, machine, runtime string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "upkeep",
		Short: "Bin, filter, gates and knives: what is due, what has been done",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return showUpkeep(cmd.Context(), cmd.OutOrStdout(), state, asJSON)
		},
	}
	stateFlag(cmd, &state)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	every := &cobra.Command{
		Use: "every ITEM HOURS", Short: `Set after how much an item is due: "40 h", "20000 moves" or never`, Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			return upkeepEvery(cmd.OutOrStdout(), state, args[0], args[1], machine)
		},
	}
	every.Flags().StringVar(&machine, "machine", "", "for a new item: the machine whose hours it counts")
	cleared := &cobra.Command{
		Use: "cleared DUCT", Short: "Say that you have cleared a duct of chips by hand", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := socket.At(rig.Folder(runtime)).Cleared(cmd.Context(), args[0]); err != nil {
				return err
			}
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "%s: taken as clear\n", args[0])
			return err
		},
	}
	addRuntime(cleared, &runtime)
	cmd.AddCommand(every, cleared,
		&cobra.Command{
			Use: "reset ITEM", Short: "Say that an item has been done", Args: cobra.ExactArgs(1),
			RunE: func(cmd *cobra.Command, args []string) error {
				return changeUpkeep(state, func(ctx context.Context, db *journal.DB, now journal.Stamp) error {
					if err := db.Reset(ctx, args[0], "owner", now, time.Local); err != nil {
						return err
					}
					_, err := fmt.Fprintf(cmd.OutOrStdout(), "%s: begins again; \"kerfwind upkeep undo\" takes it back\n", args[0])
					return err
				})
			},
		},
		&cobra.Command{
			Use: "undo [ITEM]", Short: "Take back the last reset", Args: cobra.MaximumNArgs(1),
			RunE: func(cmd *cobra.Command, args []string) error {
				return changeUpkeep(state, func(ctx context.Context, db *journal.DB, now journal.Stamp) error {
					r, err := db.Undo(ctx, strings.Join(args, ""), "owner", now, time.Local)
					if err != nil {
						return err
					}
					_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: its reset of %s is taken back\n", r.Item, r.Wall.Local().Format(time.DateTime))
					return err
				})
			},
		})
	return cmd
}

// changeUpkeep opens the history beside the daemon for one change.
func changeUpkeep(state string, change func(context.Context, *journal.DB, journal.Stamp) error) error {
	clock, err := journal.NewBootClock("/")
	if err != nil {
		return err
	}
	ctx := context.Background()
	db, err := journal.OpenGuest(ctx, state)
	if err != nil {
		return err
	}
	return errors.Join(change(ctx, db, clock.Stamp()), db.Close())
}

func upkeepEvery(w io.Writer, state, item, text, machine string) error {
	return changeUpkeep(state, func(ctx context.Context, db *journal.DB, _ journal.Stamp) error {
		never, err := journal.SetEvery(ctx, db, item, machine, text)
		switch {
		case errors.As(err, new(*journal.BadInterval)):
			return &exitError{exitUsage, err}
		case err != nil:
			return err
		case never:
			_, err = fmt.Fprintf(w, "%s: no further reminders\n", item)
		default:
			_, err = fmt.Fprintf(w, "%s: due every %s\n", item, text)
		}
		return err
	})
}

func showUpkeep(ctx context.Context, w io.Writer, state string, asJSON bool) error {
	db, err := journal.OpenReader(ctx, state)
	if err != nil {
		return err
	}
	s, err := journal.ReadUpkeep(ctx, db, time.Now())
	if err = errors.Join(err, db.Close()); err != nil {
		return err
	}
	if asJSON {
		return s.WriteJSON(w)
	}
	return s.WriteText(w)
}
