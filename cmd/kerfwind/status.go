package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
)

func newStatus() *cobra.Command {
	var runtime string
	var asJSON, idle bool
	cmd := &cobra.Command{
		Use:   "status",
		Short: "Say what the running kerfwind does, and why",
		Long: `Status asks the kerfwind that runs on this computer for its state and prints it:
machines, gates, collector, faults, and how its history, metrics and notices
fare. On a node it says who decides, how old the last order is, and what the node
senses and drives.

With --idle it prints nothing and ends with exit code 0 if no machine runs, also
where no kerfwind does; with 1 if one runs. It is for scripts that would restart
the service.

Exit code 1: no kerfwind runs.`,
		Args: cobra.NoArgs,
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
			return printStatus(cmd.OutOrStdout(), st)
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

// printStatus prints a status for people.
func printStatus(w io.Writer, st *socket.Status) error {
	var b strings.Builder
	list := func(title string, things []socket.Thing) {
		for _, t := range things {
			fmt.Fprintf(&b, "%-10s %-16s %s", title, t.Name, t.State)
			if t.Why != "" {
				fmt.Fprintf(&b, " (%s)", t.Why)
			}
			if left := time.Duration((t.Until - st.T) * 1e9).Round(time.Second); left > 0 {
				fmt.Fprintf(&b, ", %s more", config.FormatDuration(left))
			}
			b.WriteByte('\n')
			title = ""
		}
	}
	if st.Node != nil {
		printNode(&b, st.Node, list)
		_, err := io.WriteString(w, b.String())
		return err
	}
	what := "at rest"
	switch {
	case !st.Ready:
		what = "begins"
	case st.StoodDown:
		what = "stood down: nothing is commanded"
	case st.Moving:
		what = "at work"
	}
	fmt.Fprintf(&b, "%s: %s\n", st.Shop, what)
	say := func(yes bool, text string) {
		if yes {
			b.WriteString(text + "\n")
		}
	}
	say(st.File != "", "file: "+st.File+" ("+st.FileWhy+")")
	say(st.Bench, `no machine is served while a move-in is open: "kerfwind movein" goes on with it, and q there takes up the shop before`)
	say(st.File == "" && !st.Simulated, "no shop file: "+st.FileWhy)
	say(st.Simulated, "simulated: nothing real is read or moved")
	say(st.Page != "", "the page is at "+st.Page)
	say(st.Latched, "latched: a local act lifts it")
	say(st.BinFull, "the bin is full")
	say(st.Closed, "the shop is closed")
	say(st.Reload != "", st.Reload)
	list("machines", st.Machines)
	list("gates", st.Gates)
	list("collector", []socket.Thing{st.Collector})
	if st.StartsIn >= 0 {
		fmt.Fprintf(&b, "%-10s %-16s %d left in this hour\n", "", "starts", st.StartsIn)
	}
	list("outlets", st.Outlets)
	list("faults", st.Faults)
	list("parts", st.Parts)
	_, err := io.WriteString(w, b.String())
	return err
}

// printNode prints the status of a node for people.
func printNode(b *strings.Builder, n *socket.Node, list func(string, []socket.Thing)) {
	fmt.Fprintf(b, "node %s: %s\n", n.Name, n.State)
	if n.Why != "" {
		fmt.Fprintln(b, n.Why)
	}
	if !n.Broker {
		fmt.Fprintln(b, "no connection to the broker")
	}
	if n.Order >= 0 {
		what := "at work"
		if n.Rest {
			what = "at rest"
		}
		fmt.Fprintf(b, "%-10s %-16s %s by its last order, %.1f s ago\n", "decides", n.Shop, what, n.Order)
	}
	if n.Reload != "" {
		fmt.Fprintln(b, n.Reload)
	}
	list("senses", n.Senses)
	list("drives", n.Drives)
	list("stops", n.Stops)
}
