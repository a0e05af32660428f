package timeline

import (
	"strings"
	"time"

	"kerfwind/config"
	"kerfwind/control"
)

// stirWords say what something does that keeps the shop from rest. Those of the
// collector are whole, since it has no other name there.
var stirWords = map[control.StirKind]string{
	control.StirRuns:     "runs: switch it off",
	control.StirRunsOn:   "has its run-on",
	control.StirMoves:    "moves",
	control.StirHeld:     "is held open",
	control.StirTested:   "is being tested",
	control.StirAtHand:   "the collector's switch is at hand: turn it to auto",
	control.StirStaysOn:  "the collector still runs: use its disconnect",
	control.StirCollects: "the collector runs",
	control.StirRests:    "the collector is left alone",
	control.StirOutlet:   "runs on",
}

// Restless says what keeps a shop from rest, and how long that lasts where it ends by
// itself: "the planer runs", "the air cleaner runs on for 12 min". It is empty at rest.
func (n *Names) Restless(s *control.Snapshot) string {
	if s == nil {
		return "the shop has not begun yet"
	}
	var list []string
	for x := range s.Stirs() {
		text := stirWords[x.Kind]
		if x.Subject != control.ACollector {
			text = n.Name(x.Subject, x.ID) + " " + text
		}
		if x.Until > s.At {
			text += " for " + config.FormatDuration((x.Until - s.At + time.Second - 1).Truncate(time.Second))
		}
		list = append(list, text)
	}
	return strings.Join(list, "; ")
}
