package live

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/scene"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
	"kerfwind/sensor"
)

// current holds what is known of one channel.
type current struct {
	amps, before float32 // now, and in the frame before
	verdict      sensor.Verdict
}

// entry is a line of the timeline.
type entry struct {
	at    time.Duration
	loud  bool
	words string
}

// state is all that a frame shows.
type state struct {
	now      time.Duration
	speed    float64
	scale    float64 // A at the end of every bar
	channels []current
	snap     *control.Snapshot // nil: nothing yet
	scene    *scene.Scene      // of snap
	lines    []entry
}

// look says what the terminal can show.
type look struct{ color, utf8 bool }

// style is how a piece of text is marked. Colour comes on top of bold and
// reverse, never alone.
type style uint8

const (
	common style = iota
	strong       // bold
	active       // something runs: bold, blue
	moving       // something moves: bold, magenta: readable on light and dark
	alarm        // must not be overlooked: reverse, red
	quiet        // less than common text, where there is colour
)

func (s style) begin(color bool) string {
	switch {
	case s == common, s == quiet && !color:
		return ""
	case s == quiet:
		return "\x1b[2m"
	case s == alarm && color:
		return "\x1b[1;7;31m"
	case s == alarm:
		return "\x1b[1;7m"
	case s == active && color:
		return "\x1b[1;36m"
	case s == moving && color:
		return "\x1b[1;35m"
	}
	return "\x1b[1m"
}

// piece is text of one style.
type piece struct {
	style style
	text  string
}

// row is one line of the view.
type row []piece

// put adds text. It is made safe for the terminal when the row is written.
func (r *row) put(s style, text string) { *r = append(*r, piece{s, text}) }

// write makes the row a string of at most w columns.
func (r row) write(w int, k look) string {
	var b strings.Builder
	for _, p := range r {
		text := cut(clean(p.text, k.utf8), w, k.utf8)
		w -= width(text)
		begin := p.style.begin(k.color)
		if text == "" || begin == "" {
			b.WriteString(text)
			continue
		}
		b.WriteString(begin)
		b.WriteString(text)
		b.WriteString("\x1b[0m")
	}
	return strings.TrimRight(b.String(), " ")
}

// columns is how many columns the row takes.
func (r row) columns(k look) int {
	n := 0
	for _, p := range r {
		n += width(clean(p.text, k.utf8))
	}
	return n
}

// Widths at which the layout changes.
const (
	roomy  = 76 // words beside the symbols
	narrow = 56 // shortened words
)

// render lays the view out for a terminal: at most height lines of at most
// width columns. It depends on nothing but what it is given.
func render(o *Options, s *state, w, h int, k look) []string {
	w, h = max(w, 1), max(h, 1)
	title := []row{titleRow(o, s, w, k)}
	if s.snap != nil {
		s.scene = scene.Make(scene.In{Now: s.now, Snap: s.snap, Names: &o.Names, Layout: o.Layout})
	}
	status := statusRows(s, w, k)
	currents := currentRows(o, s, w, k)
	gates := gateRows(o, s, w, k)
	collector := collectorRow(o, s, w, k)
	outlets := outletRows(o, s)
	faults := faultRows(o, s)

	// Give up what matters least until two lines of the timeline fit.
	const leastLines = 2
	for {
		over := len(title) + len(status) + len(currents) + len(gates) + len(collector) + len(outlets) + len(faults) + leastLines - h
		if over <= 0 {
			break
		}
		switch {
		case len(outlets) > 0:
			outlets = nil
		case len(faults) > 1:
			faults = faults[:1]
		case len(gates) > 1 && len(gates) >= len(currents):
			gates = shorten(gates, max(1, len(gates)-over))
		case len(currents) > 1:
			currents = shorten(currents, max(1, len(currents)-over))
		default:
			over = 0
		}
		if over == 0 {
			break
		}
	}
	all := title
	sum := len(title) + len(status) + len(currents) + len(gates) + len(collector) + len(outlets) + len(faults)
	airy := h-sum >= 10
	add := func(heading string, rows []row) {
		if len(rows) == 0 {
			return
		}
		if airy {
			all = append(all, row{}, row{{quiet, heading}})
		}
		all = append(all, rows...)
	}
	all = append(all, status...)
	add(fmt.Sprintf("Currents, bars end at %g A, %s marks where a run starts", s.scale, mark(k)), currents)
	add("Gates", gates)
	add("Collector", append(collector, outlets...))
	all = append(all, faults...)

	if room := h - len(all); room > 0 {
		lines := lineRows(s, w)
		if airy && room > 3 {
			all = append(all, row{}, row{{quiet, "What happened"}})
			room -= 2
		}
		if n := len(lines) - room; n > 0 {
			lines = lines[n:]
		}
		all = append(all, lines...)
	}
	if len(all) > h {
		all = all[:h]
	}
	out := make([]string, len(all))
	for i, r := range all {
		out[i] = r.write(w, k)
	}
	return out
}

// shorten keeps n rows; the last says how many are missing.
func shorten(rows []row, n int) []row {
	if n >= len(rows) {
		return rows
	}
	rows = slices.Clone(rows[:n])
	if n > 1 {
		rows[n-1] = row{{quiet, "more: make the window higher"}}
	}
	return rows
}

func titleRow(o *Options, s *state, w int, k look) row {
	right := clock(s.now)
	if s.speed > 0 && s.speed != 1 {
		right += fmt.Sprintf("  ×%g", s.speed)
	}
	if w >= narrow {
		right += "  Ctrl-C ends"
	}
	right = clean(right, k.utf8)
	title := pad(clean(o.Title, k.utf8), max(0, w-width(right)-1), k.utf8)
	return row{{strong, title}, {common, " "}, {common, right}}
}

// clock is a time of the stream in hours, minutes and seconds.
func clock(d time.Duration) string {
	d = d.Truncate(time.Second)
	if d >= time.Hour {
		return fmt.Sprintf("%d:%02d:%02d", d/time.Hour, d/time.Minute%60, d/time.Second%60)
	}
	return fmt.Sprintf("%d:%02d", d/time.Minute, d/time.Second%60)
}

// toneStyles say how the one sentence is marked.
var toneStyles = map[scene.Tone]style{scene.Fine: strong, scene.Wait: moving, scene.Warn: alarm, scene.Bad: alarm}

// statusRows say in one sentence how the shop is, and what holds everything up.
func statusRows(s *state, w int, k look) []row {
	if s.snap == nil {
		return nil
	}
	var rows []row
	text := s.scene.Say
	if w >= roomy {
		text += " " + s.scene.Do // else the faults below say it
	}
	for _, l := range wrapped(clean(text, k.utf8), max(w-2, 1)) {
		rows = append(rows, row{{toneStyles[s.scene.Tone], " " + l[0].text + " "}})
	}
	add := func(yes bool, said, text string) {
		if yes && !strings.Contains(strings.ToLower(s.scene.Say), said) {
			rows = append(rows, row{{alarm, text}})
		}
	}
	add(s.snap.StoodDown, "stood down", " Stood down: nothing is commanded. Machines are not stopped. ")
	add(s.snap.Latched(), "reset", " Latched: a reset at the shop is needed. ")
	add(s.snap.BinFull, "bin is full", " Bin full: empty it. ")
	return rows
}

// machineState is a machine's symbol, word and style.
func machineState(m scene.MachineState, k look) (symbol, word string, st style) {
	pick := func(utf, ascii string) string {
		if k.utf8 {
			return utf
		}
		return ascii
	}
	switch m {
	case scene.MachineUncollected:
		return "!", "NOT served", alarm
	case scene.MachineUnseen, scene.MachineHeld:
		return "?", "not seen", alarm
	case scene.MachineStarts:
		return pick("●", "*"), "starts", moving
	case scene.MachineCollected:
		return pick("●", "*"), "runs", active
	case scene.MachineClears:
		return pick("◐", "o"), "clearing", common
	case scene.MachineIdle:
	}
	return pick("○", "-"), "idle", quiet
}

// currentRows show each channel: name, state, bar, amperes; and then machines
// that no channel senses.
func currentRows(o *Options, s *state, w int, k look) []row {
	nameW := 0
	for i := range o.Channels {
		nameW = max(nameW, width(clean(channelName(o, i), k.utf8)))
	}
	nameW = min(nameW, max(6, w/4))
	wordW := 0
	if w >= roomy {
		wordW = 11
	}
	var rows []row
	seen := make([]bool, len(o.Names.Machines))
	for i, c := range s.channels {
		m := o.Channels[i].Machine
		start := o.Channels[i].Start
		if m == control.NoID {
			start = 0 // nothing follows from it
		}
		symbol, word, st := " ", "", quiet
		switch {
		case c.verdict == sensor.Unknown && (s.snap == nil || int(m) >= len(s.snap.Machines)):
			symbol, word, st = "?", "not seen", alarm
		case s.snap != nil && int(m) < len(s.snap.Machines):
			symbol, word, st = machineState(s.scene.Machines[m].State, k)
		}
		if int(m) < len(seen) {
			seen[m] = true
		}
		var r row
		nameStyle := common
		if st == active {
			nameStyle = strong
		}
		r.put(nameStyle, pad(clean(channelName(o, i), k.utf8), nameW, k.utf8)+" ")
		r.put(st, symbol)
		r.put(st, pad(prefix(" ", word, wordW), wordW, k.utf8))
		amps := fmt.Sprintf("%6.1f A", c.amps)
		if c.verdict == sensor.Unknown {
			amps = "      ?  "[:8]
		}
		barW := w - nameW - 2 - wordW - width(amps) - 1
		if barW >= 6 {
			r.put(common, " ")
			r = append(r, bar(&c, start, s.scale, barW-1, k)...)
		}
		r.put(common, amps)
		rows = append(rows, r)
	}
	for m, ok := range seen {
		if ok || s.snap == nil || m >= len(s.snap.Machines) {
			continue
		}
		symbol, word, st := machineState(s.scene.Machines[m].State, k)
		var r row
		r.put(common, pad(clean(o.Names.Machines[m], k.utf8), nameW, k.utf8)+" ")
		r.put(st, symbol+" "+word)
		rows = append(rows, r)
	}
	return rows
}

// prefix puts p before words where there is room for them at all.
func prefix(p, words string, room int) string {
	if room == 0 || words == "" {
		return ""
	}
	return p + words
}

func channelName(o *Options, i int) string {
	if n := o.Names.Name(control.AMachine, o.Channels[i].Machine); n != "" {
		return n
	}
	return o.Channels[i].Label
}

// mark is where a run starts, on a bar.
func mark(k look) string {
	if k.utf8 {
		return "│"
	}
	return "|"
}

// bar draws a current over n columns.
func bar(c *current, start float32, scale float64, n int, k look) row {
	if c.verdict == sensor.Unknown {
		return row{{common, pad("? the sensor cannot be trusted", n, k.utf8)}}
	}
	full, part, over, rest := "#", []string{"", "="}, ">", "."
	if k.utf8 {
		full, part, over, rest = "█", []string{"", "▏", "▎", "▍", "▌", "▋", "▊", "▉"}, "▶", "·"
	}
	amps := float64(c.amps)
	if math.IsNaN(amps) || amps < 0 {
		amps = 0
	}
	steps := len(part)
	length := int(math.Round(min(1, amps/scale) * float64(n*steps)))
	at := -1
	if start > 0 {
		at = min(n-1, int(float64(start)/scale*float64(n)))
	}
	st := common
	if c.verdict == sensor.Running {
		st = active
	}
	var r row
	for i := range n {
		cell, cs := rest, quiet
		switch {
		case i == n-1 && amps > scale*1.001:
			cell, cs = over, st
		case i == at:
			cell, cs = mark(k), strong
		case (i+1)*steps <= length:
			cell, cs = full, st
		case i*steps < length:
			cell, cs = part[length-i*steps], st
		}
		if l := len(r) - 1; l >= 0 && r[l].style == cs {
			r[l].text += cell
		} else {
			r.put(cs, cell)
		}
	}
	return r
}

// gateState is a gate's sign, word and style.
func gateState(g scene.Gate, k look) (sign, word string, st style) {
	in := func(utf, ascii string) string {
		if k.utf8 {
			return "┤" + utf + "├"
		}
		return "[" + ascii + "]"
	}
	switch g.State {
	case scene.GateOpen:
		return in(" ", " "), g.Word, active
	case scene.GateShut:
		return in("█", "#"), g.Word, common
	case scene.GateOpening:
		return in("▄", "^"), g.Word, moving
	case scene.GateShutting:
		return in("▀", "v"), g.Word, moving
	case scene.GateWanted:
		return in("▒", "="), g.Word, moving
	case scene.GateStuck:
		return in("×", "X"), g.Word, alarm
	case scene.GateAside:
		return in("‖", "|"), g.Word, alarm
	case scene.GateUnknown:
	}
	return in("?", "?"), g.Word, common
}

// shortWords are the words of gates on a narrow terminal.
var shortWords = map[scene.GateState]string{
	scene.GateUnknown: "?", scene.GateOpening: "moves", scene.GateShutting: "moves", scene.GateWanted: "waits", scene.GateStuck: "STUCK", scene.GateAside: "aside",
}

// gateRows show the gates, as many beside each other as fit.
func gateRows(o *Options, s *state, w int, k look) []row {
	if s.snap == nil || len(s.snap.Gates) == 0 {
		return nil
	}
	const signW = 4
	wordW := 11 // "won't shut" and a blank
	if w < narrow {
		wordW = 6
	}
	nameW := 0
	for i := range s.snap.Gates {
		nameW = max(nameW, width(clean(o.Names.Name(control.AGate, control.ID(i)), k.utf8)))
	}
	cell := signW + nameW + 1 + wordW
	per := max(1, w/cell)
	if per == 1 && w >= 2*(signW+1+wordW+6) {
		per = 2
	}
	per = min(per, len(s.snap.Gates))
	cell = min(cell, w/per)
	nameW = max(1, cell-signW-1-wordW)
	down := (len(s.snap.Gates) + per - 1) / per
	rows := make([]row, down)
	for i := range s.snap.Gates {
		sign, word, st := gateState(s.scene.Gates[i], k)
		if w < narrow {
			if short, ok := shortWords[s.scene.Gates[i].State]; ok {
				word = short
			}
		}
		r := &rows[i/per]
		r.put(st, sign)
		r.put(common, " "+pad(clean(o.Names.Name(control.AGate, control.ID(i)), k.utf8), nameW, k.utf8)+" ")
		r.put(st, word)
		r.put(common, strings.Repeat(" ", max(0, wordW-width(word))))
	}
	return rows
}

// collectorRow shows the collector with the reason for what it does.
func collectorRow(o *Options, s *state, w int, k look) []row {
	if s.snap == nil {
		return nil
	}
	c := &s.snap.Collector
	var r row
	r.put(strong, o.Names.Name(control.ACollector, 0)+" ")
	switch {
	case c.Fault != 0:
		on := "off"
		if c.Commanded || c.Sensed == control.Running {
			on = "ON"
		}
		r.put(alarm, " "+on+" ! ")
	case c.Commanded:
		r.put(active, "ON")
	case c.Sensed == control.Running:
		r.put(alarm, " RUNS, not commanded ")
	default:
		r.put(common, "off")
	}
	if c.Commanded && c.Sensed == control.Running && w >= narrow {
		r.put(common, ", running")
	}
	why := o.Names.Reason(c.Why)
	if why != "" {
		if left := c.Why.Until - s.now; c.Why.Until > 0 && left > 0 {
			why += fmt.Sprintf(", %d s left", (left+time.Second-1)/time.Second)
		}
		r.put(common, ": "+why)
	}
	if c.StartsLeft >= 0 {
		starts := row{{quiet, fmt.Sprintf("%d starts left", c.StartsLeft)}}
		if c.StartsLeft == 1 {
			starts = row{{quiet, "1 start left"}}
		}
		if r.columns(k)+3+starts.columns(k) <= w {
			r.put(common, "   ")
			r = append(r, starts...)
		}
	}
	return []row{r}
}

func outletRows(o *Options, s *state) []row {
	if s.snap == nil {
		return nil
	}
	var rows []row
	for i := range s.snap.Outlets {
		v := &s.snap.Outlets[i]
		r := row{{strong, o.Names.Name(control.AnOutlet, control.ID(i)) + " "}}
		if v.Commanded {
			r.put(active, "ON")
			if left := v.RunOn - s.now; v.RunOn > 0 && left > 0 {
				r.put(common, ", off in "+clock(left))
			}
		} else {
			r.put(common, "off")
		}
		rows = append(rows, r)
	}
	return rows
}

// faultRows show the faults that stand.
func faultRows(o *Options, s *state) []row {
	if s.snap == nil {
		return nil
	}
	var rows []row
	for _, f := range s.snap.Faults {
		words := timeline.Sentence(control.Event{Kind: control.FaultRaised, Fault: f.Fault, Cause: f.Cause, ID: f.ID}, &o.Names)
		rows = append(rows, row{{alarm, " " + words + " "}})
	}
	return rows
}

// lineRows show the timeline.
func lineRows(s *state, w int) []row {
	rows := make([]row, len(s.lines))
	for i, e := range s.lines {
		at := clock(e.at)
		if w >= narrow {
			at = fmt.Sprintf("%7s", at)
		}
		sign, st := "  ", common
		if e.loud {
			sign, st = "! ", strong
		}
		rows[i] = row{{quiet, at + " "}, {st, sign + e.words}}
	}
	return rows
}

// roundUp is the next round number.
func roundUp(v float64) float64 {
	if !(v > 1) || math.IsInf(v, 0) {
		return 1
	}
	unit := math.Pow(10, math.Floor(math.Log10(v)))
	for _, f := range []float64{1, 2, 3, 5} {
		if v <= f*unit*1.0001 {
			return f * unit
		}
	}
	return 10 * unit
}
