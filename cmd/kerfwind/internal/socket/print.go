package socket

import (
	"fmt"
	"io"
	"strings"
	"time"

	"kerfwind/config"
)

// Print prints a status for people.
func (st *Status) Print(w io.Writer) error {
	var b strings.Builder
	list := func(title string, things []Thing) {
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
	list("faults", st.Faults) // what is wrong comes first
	list("missing", st.Missing)
	say := func(yes bool, text string) {
		if yes {
			b.WriteString(text + "\n")
		}
	}
	say(st.File != "", "file: "+st.File+" ("+st.FileWhy+")")
	say(st.Bench, `NOT COLLECTED, whatever runs: no machine is served while a move-in is open: "kerfwind movein" goes on with it, and q there takes up the shop before`)
	say(st.File == "" && !st.Simulated, "no shop file: "+st.FileWhy)
	say(st.Simulated, "simulated: nothing real is read or moved")
	say(st.Page != "", "the page is at "+st.Page)
	say(st.Latched, "latched: the collector stays off until somebody resets it at the shop")
	say(st.BinFull, "the bin is full")
	say(st.Closed, "the shop is closed")
	say(st.Reload != "", st.Reload)
	list("machines", st.Machines)
	list("gates", st.Gates)
	list("collector", []Thing{st.Collector})
	if st.StartsIn >= 0 {
		fmt.Fprintf(&b, "%-10s %-16s %d left in this hour\n", "", "starts", st.StartsIn)
	}
	list("outlets", st.Outlets)
	list("ducts", st.Ducts)
	list("parts", st.Parts)
	_, err := io.WriteString(w, b.String())
	return err
}

// printNode prints the status of a node for people.
func printNode(b *strings.Builder, n *Node, list func(string, []Thing)) {
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
