package panel

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"text/tabwriter"
	"time"
)

// Print lists the newest rows that keep wants, at most so many: as a table, or as
// JSON.
func (l *Log) Print(w io.Writer, most int, keep func(Row) bool, asJSON bool) error {
	rows, bad, err := l.Rows(most, keep)
	if err != nil {
		return err
	}
	if asJSON {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		return e.Encode(append([]Row{}, rows...))
	}
	if len(rows) == 0 {
		_, err := fmt.Fprintln(w, "no changes")
		return err
	}
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "when\twhat\twith\tby\twhat came of it")
	for i := range rows {
		r := &rows[i]
		doubt := ""
		if !r.Trusted {
			doubt = "~" // by a clock that was not set
		}
		fmt.Fprintf(tw, "%s%s\t%s\t%s\t%s, %s\t%s\n", doubt, r.At.Local().Format(time.DateTime), r.What, r.Gave(), r.Role, r.From, cmp.Or(r.Said(), r.Result))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	if bad > 0 {
		_, err = fmt.Fprintf(w, "%d lines of %s cannot be read\n", bad, l.Path)
	}
	return err
}
