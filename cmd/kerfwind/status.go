package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
)

func newStatus() *cobra.Command {
	var runtime string
	var asJSON, idle bool
	cmd := &cobra.Command{
		Use:   "status",
		Short: "Say what the running kerfwind does, and why",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			st, err := statusOf(cmd.Context(), rig.Folder(runtime))
			switch {
			case idle && errors.Is(err, socket.ErrNobody):
				return nil
			case err != nil:
				return err
			case idle && st.Running > 0 && st.Node != nil:
				return fmt.Errorf("%d machines run", st.Running)
			case idle && st.Running > 0:
				return fmt.Errorf("%d of %d machines run", st.Running, len(st.Machines))
			case idle:
				return nil
			case asJSON:
				e := json.NewEncoder(cmd.OutOrStdout())
				e.SetIndent("", "  ")
				return e.Encode(st)
			}
			return st.Print(cmd.OutOrStdout())
		},
	}
	fl := cmd.Flags()
	fl.BoolVar(&asJSON, "json", false, "print one JSON object")
	fl.BoolVar(&idle, "idle", false, "print nothing; exit code 0 if no machine runs")
	addRuntime(cmd, &runtime)
	return cmd
}

// statusOf asks the daemon of a runtime folder.
func statusOf(ctx context.Context, folder string) (*socket.Status, error) {
	shop := socket.At(folder)
	h, err := shop.Hello(ctx)
	if err != nil {
		return nil, err
	}
	st, err := shop.State(ctx)
	if err != nil {
		return nil, err
	}
	return socket.StatusOf(&h, &st), nil
}
