package movein

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"kerfwind/config"
)

// say adds a paragraph.
func (v *View) say(format string, a ...any) {
	v.Text = append(v.Text, fmt.Sprintf(format, a...))
}

// offer adds an answer.
func (v *View) offer(answer, format string, a ...any) {
	v.Choices = append(v.Choices, Choice{answer, fmt.Sprintf(format, a...)})
}

// show fills in what a step asks.
func (s *Session) show(st step, now time.Duration, v *View) {
	switch st.kind {
	case asks:
		s.ask(st, v)
		if was := s.get(st.id()); was != "" {
			if again, err := s.check(st, was); err == nil && again == was {
				v.Keep, v.KeepText = was, ""
			} else if s.wrong == "" && err != nil {
				v.Wrong = fmt.Sprintf("Your answer %q no longer fits: %v.", was, err)
			}
		}
	case finds:
		s.showFind(st, now, v)
		s.sayMains(v)
		s.orStay(st, v)
	case moves:
		s.showMove(st, v)
		s.orStay(st, v)
	case learns:
		s.showLearn(st, now, v)
		s.sayMains(v)
		s.orStay(st, v)
	case computes:
		s.showReport(st, v)
	case ends:
		_, file := cut(s.get("activate"))
		v.Title, v.Done = s.title(st), true
		v.say("The new shop is %s. It takes effect as soon as the shop is at rest.", file)
		v.say("The earlier shop is kept. To go back to it, run kerfwind use.")
	}
}

// sayMains adds a doubt about the mains to what a machine that ran has shown.
func (s *Session) sayMains(v *View) {
	if doubt := s.mainsDoubt(); doubt != "" && s.live.phase == result {
		v.say("%s", doubt)
	}
}

// title names a step.
func (s *Session) title(st step) string {
	switch st.kind {
	case finds:
		return "Sensor of " + the(st.of)
	case moves:
		return "Gate on output " + st.of
	case learns:
		return "Levels of " + the(st.of)
	case computes:
		return map[string]string{"missing": "What is missing, what is doubtful", "air": "Air", "dry": "Dry run", "activate": "In force"}[st.what]
	case ends:
		return "Moved in"
	default:
	}
	var v View
	s.ask(st, &v)
	return v.Title
}

// said is the answer of a step for people.
func (s *Session) said(st step) string {
	was := s.get(st.id())
	what, of := cut(was)
	switch st.kind {
	case moves:
		switch what {
		case none:
			return "it moves no gate"
		case "main":
			return "a gate in a main"
		case "sweep":
			return "a gate of no machine"
		}
		return "the gate of " + the(of)
	case finds, learns:
		switch what {
		case skip:
			return "left out for now"
		case "contact", "proposal":
			return what + " " + of
		case "learned":
			return "learned on " + of
		}
	case computes:
		return "looked at"
	default:
	}
	return was
}

// orStay lets an earlier answer of a step that looks at the rig stand: Enter
// leaves it before anything was begun.
func (s *Session) orStay(st step, v *View) {
	if !s.answered(st) || s.live == nil || s.live.phase == result {
		return
	}
	was, said := s.get(st.id()), s.said(st)
	for i := range v.Choices {
		if v.Choices[i].Answer == was {
			v.Choices[i].Text += " (as before)"
			return
		}
	}
	v.offer(was, "Leave it as it is: %s", said)
	if s.live.phase == ready || st.kind == finds {
		v.Keep, v.KeepText = was, ""
	}
}

// ask fills in a question that looks at nothing.
func (s *Session) ask(st step, v *View) {
	amps := func(a float64) string { return config.Metric.Format(config.Current, a) }
	switch st.what {
	case "name":
		v.Title, v.Free, v.Example = "Name of the new shop", true, "garage"
		v.say("The earlier shop keeps its own name. You can stop at any step and go on later.")
		if len(s.relays()) == 0 {
			v.say("The rig has no relay, and the collector's contactor needs one. Add it first: the move-in cannot finish without it.")
		}
	case "units":
		v.Title = "Units"
		v.say("Which units do you want for lengths and flows?")
		v.offer("metric", "Metric: mm, m, m3/h")
		v.offer("imperial", "Imperial: in, ft, cfm")
		if s.old != nil {
			v.Keep = s.old.Units
		}
	case "supply":
		v.Title, v.Free, v.Example = "Supply", true, "120/240 V 60 Hz"
		v.say("What supply does the new address have? Look at the meter, or ask the electrician.")
		for _, c := range []string{"230 V 50 Hz", "120/240 V 60 Hz", "240 V 60 Hz", "120 V 60 Hz"} {
			v.offer(c, "%s", c)
		}
		if s.old != nil {
			v.say("Before it was %s.", s.oldSupply())
		}
	case "circuits":
		v.Title, v.Free, v.Example = "Circuits", true, circuitExample
		v.say("Which circuits feed machines or the collector? Write each one's name and breaker rating, and its voltage and leg where they differ. Put a semicolon between circuits.")
		if s.supply().half == 0 {
			v.offer(none, "Skip this: the circuits are not known")
		}
	case "machines":
		v.Title, v.Free, v.Example = "Machines", true, "band saw, thickness planer, drum sander"
		v.say("Which machines are here? Write their names, with commas between them.")
		if s.old != nil {
			var names []string
			for i := range s.old.Machine {
				names = append(names, s.old.Machine[i].Name)
			}
			v.Keep = strings.Join(names, ", ")
			v.KeepText = v.Keep
			v.say("kerfwind keeps what it knows of the earlier machines:")
			v.Text = append(v.Text, s.known()...)
		}
	case "circuit":
		v.Title = "Circuit of " + the(st.of)
		v.say("On which circuit is it?")
		for _, c := range s.circuits() {
			text := fmt.Sprintf("%s, %s", c.name, amps(c.breaker))
			if on := s.on(c.name, st.of); len(on) > 0 {
				text += "; also " + words(on)
			}
			if c.volts > 0 {
				text += fmt.Sprintf("; %g V", c.volts)
			}
			v.offer(c.name, "%s", text)
		}
		if s.supply().half == 0 {
			v.offer(none, "I do not know")
		}
	case "rated":
		s.askRated(st.of, v)
	case "load":
		scaled, known := s.scaledLoad(st.of)
		v.Title, v.Free, v.Example = "Full load of "+the(st.of), true, "8.2 A"
		if !known {
			v.Keep = unknown
			v.say("Which current is on its rating plate? Its circuit is watched by it.")
			v.offer(unknown, "I do not know")
			break
		}
		v.Keep = fmt.Sprintf("%.1f A", scaled)
		v.say("At %g V its full load was %s. The same power at %g V takes %s. That is a proposal; its rating plate is better.", s.oldVolts(st.of), amps(s.oldLoad(st.of)), s.voltsOf(st.of), v.Keep)
		v.offer(unknown, "I do not know")
	case "power":
		v.Title, v.Free, v.Example = "Power of the collector", true, "2 hp"
		v.say("Which power is on its rating plate? The air at each hood is computed from it, and the run-on from the air.")
		v.offer(unknown, "I do not know: nothing is computed then")
		v.Keep = unknown
	case "relay":
		v.Title = "Relay " + st.of
		v.say("What does it switch?")
		v.offer("collector", "The collector's contactor")
		v.offer("outlet", "An outlet that follows machines")
		v.offer("gate", "A gate")
		v.offer(none, "Nothing here")
		v.Keep = s.oldRelay(st.of)
	case "called":
		what, _ := cut(s.get("gate/" + st.of))
		v.Title, v.Free, v.Example = "Name of the gate on "+st.of, true, "far end"
		v.say("What is this gate called?")
		v.Keep = s.callIt(st.of, what)
	case "way":
		v.Title = "Direction of the gate on " + st.of
		v.say("The test move is over. The gate should be shut now. Is it?")
		v.offer("shut", "Yes, it is shut")
		v.offer("open", "No, it is open: it is mounted in reverse")
	case "travel":
		s.askTravel(st.of, v)
	case "coast":
		v.Title, v.Free, v.Example = "Coast-down of "+the(st.of), true, "8 s"
		v.say("How long does the tool turn after you switch it off? The collector waits for it.")
		if seen := s.get("seen/coast/" + st.of); seen != "" {
			v.Keep = seen
			v.say("Timed just now: %s.", seen)
		} else if o := s.oldMachine(st.of); o != nil && o.Coast != nil {
			v.Keep = config.FormatDuration(*o.Coast)
			v.say("Before it was %s.", v.Keep)
		}
		v.offer(longCoast, "I do not know: %s", longCoast)
	default:
		s.askDuct(st, v)
	}
}

// longCoast is taken where nobody timed it: few tools turn longer without a
// brake. Common practice, no source.
const longCoast = "30 s"

// known lists what is known of the machines of the shop before.
func (s *Session) known() []string {
	var out []string
	for i := range s.old.Machine {
		m := &s.old.Machine[i]
		var parts []string
		if m.FullLoad != nil {
			parts = append(parts, fmt.Sprintf("full load %s at %g V", config.Metric.Format(config.Current, *m.FullLoad), s.oldVolts(m.Name)))
		}
		if len(m.Rated) > 0 {
			parts = append(parts, "marked for "+strings.Join(m.Rated, ", "))
		}
		if m.Coast != nil {
			parts = append(parts, "coasts "+config.FormatDuration(*m.Coast))
		}
		for j := range s.learned.Machines {
			if l := &s.learned.Machines[j]; l.Machine == m.Name {
				parts = append(parts, fmt.Sprintf("levels learned at %g V %g Hz", l.Volts, l.Hertz))
			}
		}
		if len(parts) == 0 {
			parts = []string{"nothing but its name"}
		}
		out = append(out, "- "+capital(m.Name)+": "+strings.Join(parts, "; ")+".")
	}
	return out
}

// on lists what else is on a circuit.
func (s *Session) on(circuit, but string) []string {
	var out []string
	for _, m := range append(s.machines(), collector) {
		if m != but && s.get("circuit/"+m) == circuit {
			out = append(out, m)
		}
	}
	return out
}

func (s *Session) askRated(m string, v *View) {
	here := config.Rating{Volts: s.voltsOf(m), Hertz: s.supply().hertz}
	v.Title, v.Free, v.Example = "Plate of "+the(m), true, "120 V 60 Hz, 240 V 60 Hz"
	v.say("Which supply is on the motor's rating plate? Here it would get %s.", here)
	if was := s.oldRated(m); was != "" {
		if err := s.mayConnect(m, was); err != nil {
			v.say("%s.", capital(err.Error()))
			v.Keep = no
		} else {
			v.Keep, v.KeepText = was, was+", as before"
		}
	} else if s.supplyChanged(m) {
		v.say("Before it had %g V %g Hz. Look at the rating plate before you connect it.", s.oldVolts(m), s.oldSupply().hertz)
	} else {
		v.Keep = unknown
	}
	v.offer(unknown, "It cannot be read")
	v.offer(matched, "An electrician has adapted it to this supply")
	if m == collector {
		v.offer(no, "It is not made for this supply: an electrician has to adapt it")
	} else {
		v.offer(no, "It is not made for this supply: leave it out until an electrician has adapted it")
	}
}

// oldRelay returns what a relay switched before.
func (s *Session) oldRelay(name string) string {
	switch {
	case s.old == nil:
		if len(s.relays()) == 1 {
			return "collector"
		}
		return ""
	case s.old.Collector != nil && s.old.Collector.Actuator == name:
		return "collector"
	case s.oldGateOf(name) != nil:
		return "gate"
	case slices.ContainsFunc(s.old.Outlet, func(o config.DraftOutlet) bool { return o.Actuator == name }):
		return "outlet"
	}
	return none
}

func (s *Session) askTravel(actuator string, v *View) {
	v.Title, v.Free, v.Example = "Travel of the gate on "+actuator, true, "1.2 s"
	v.say("How long may a full move take? After that the gate counts as open.")
	slow := time.Duration(0)
	for i := range s.rig.Actuators {
		if s.rig.Actuators[i].Name == actuator {
			slow = s.rig.Actuators[i].Slow
		}
	}
	if seen, err := config.ParseDuration(s.get("seen/" + actuator)); err == nil && seen > 0 {
		// A quarter more, for a cold morning and a thumb that is late or early: common
		// practice, no source.
		t := time.Duration(math.Ceil(1.25*seen.Seconds()*10)) * 100 * time.Millisecond
		v.Keep = config.FormatDuration(max(t, slow, 300*time.Millisecond))
		v.say("It took %s just now; a quarter is added.", config.FormatDuration(seen))
	} else if o := s.oldGateOf(actuator); o != nil && o.Travel != nil {
		v.Keep = config.FormatDuration(*o.Travel)
		v.say("Before it was %s.", v.Keep)
	}
}

func (s *Session) askDuct(st step, v *View) {
	switch st.what {
	case "duct":
		v.Title = "Duct"
		v.say("If you enter the duct, kerfwind computes the air and each machine's run-on.")
		if s.old != nil && len(s.old.Duct) > 0 {
			v.offer("copy", "It is the earlier shop's")
		}
		v.offer("draw", "Enter it now: a few lengths")
		v.offer(none, "Skip it: use fixed times")
	case "mains":
		v.Title, v.Free, v.Example = "The main duct", true, s.pieceExample()+"; 5 in, 8 ft"
		if s.get("units") == "metric" {
			v.Example = s.pieceExample() + "; 125 mm, 2.4 m"
		}
		v.say("Go from the collector outwards. Write one piece for each diameter and each gate in the main: diameter, length, elbows, kind (smooth, spiral, hose). Put a semicolon between pieces. The first is called M1, the next M2.")
	case "piece":
		gates := s.gates()
		i := slices.IndexFunc(gates, func(g gate) bool { return g.name == st.of })
		mains, _ := s.parsePieces(s.get("mains")) // it was checked
		v.Free = true
		if i >= 0 && gates[i].kind == "main" {
			v.Title, v.Example = "Place of the gate "+st.of, "M2"
			v.say("Which piece of the main is it in? M1 is at the collector, M%d is the farthest.", len(mains))
			return
		}
		size := "4 in, 6 ft"
		if s.get("units") == "metric" {
			size = "100 mm, 1.8 m"
		}
		v.Title, v.Example = "Branch of "+st.of, fmt.Sprintf("%s, 1 elbow, hose, M%d", size, max(len(mains), 1))
		v.say("From its hood to the main, write diameter, length, elbows, kind, and the piece of the main it joins (%s).", joins(len(mains)))
	case "serves":
		v.Title, v.Free, v.Example = "Gate "+st.of, true, "band saw, thickness planer"
		v.say("The gate %s is in a main. Which machines draw their air through it?", st.of)
		v.offer(strings.Join(s.sensed(), ", "), "All")
		v.offer(none, "None")
	}
}

func capital(text string) string {
	if text == "" {
		return text
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

func (s *Session) showFind(st step, now time.Duration, v *View) {
	l, f := s.live, s.live.finder
	v.Title, v.Live = s.title(st), true
	leave := func() {
		for i := range s.rig.Contacts {
			if c := &s.rig.Contacts[i]; c.Kind == config.MachineContact && st.of != collector {
				v.offer("contact:"+c.Name, "Contact %q senses it, not its current", c.Name)
			}
		}
		if o := s.oldMachine(st.of); o != nil && o.Topic != nil {
			v.offer(topic, "It reports over a topic, as before: %s", *o.Topic)
		}
		if st.of == collector {
			v.offer(skip, "Nothing senses its current")
		} else {
			v.offer(skip, "Leave %s out for now", the(st.of))
		}
	}
	if l.phase == result {
		v.Amps = f.amps
		var taken []string
		for _, ch := range l.found(s) {
			if o := s.ownerOf(ch, st.of); o != "" && !slices.Contains(taken, o) {
				taken = append(taken, o)
			}
		}
		text := fmt.Sprintf("Sensor %s showed %.1f A.", words(l.found(s)), f.amps)
		if len(l.found(s)) > 1 {
			text = fmt.Sprintf("Sensors %s, one for each leg, showed up to %.1f A.", words(l.found(s)), f.amps)
		}
		v.say("%s", text)
		if len(taken) > 0 {
			v.say("But that sensor was found for %s. One of the two was the wrong machine.", words(each(taken, the)))
			v.offer(again, "It was the wrong machine now: try again")
			v.offer("take", "It is the right one now: find the sensor of %s again", words(each(taken, the)))
		} else {
			v.offer(yes, "Yes, that is %s", the(st.of))
			v.offer(again, "No, another machine ran: try again")
			v.Keep = yes
		}
		leave()
		return
	}
	for i := range f.ch {
		v.Amps = max(v.Amps, f.ch[i].amps-f.ch[i].base())
	}
	if ill := f.ill(); len(ill) > 0 {
		v.say("Not to be trusted now: %s. Check the plug.", words(ill))
	}
	switch f.state {
	case resting:
		if b := f.busy(); len(b) > 0 {
			v.say("Something runs: %s shows a current. Switch every machine off.", words(b))
		} else {
			v.say("Leave every machine off for a moment.")
		}
		if f.began {
			v.Share = min(1, float64(now-f.from)/float64(baseFor))
		}
	case rising:
		v.say("Something runs. Switch it off after five seconds.")
	default:
		if st.of == collector {
			v.say("Switch the collector on for five seconds, at its hand switch, then off.")
		} else {
			v.say("Switch %s on for five seconds, then off. No other machine.", the(st.of))
		}
	}
	if st.of != collector {
		v.offer(nothing, "It ran, but no sensor showed it")
	}
	leave()
}

func each(list []string, f func(string) string) []string {
	out := make([]string, len(list))
	for i, x := range list {
		out[i] = f(x)
	}
	return out
}

func (s *Session) showMove(st step, v *View) {
	l := s.live
	v.Title = s.title(st)
	unused := func() { v.offer(none, "Output %s moves no gate here", st.of) }
	switch l.phase {
	case ready:
		v.Live = true
		v.say("Look at the gates. One will open, wait for %s and shut again. Keep hands and tools away from all of them, and switch all machines off.", config.FormatDuration(moveFor))
		v.say("Be ready to say when it stops.")
		v.offer("move", "Move it")
		v.Keep = "move"
		unused()
	case busy:
		v.Live, v.Working = true, true
		if l.tries > 0 && l.from == 0 {
			v.say("It waits until the fan has stopped and no gate moves.")
		}
		v.say("Look at the gates: which one moves? Say when it stops.")
		v.offer("still", "It has stopped")
		v.Keep = "still"
	case result:
		v.say("Which gate moved?")
		if l.unseen {
			v.say("Its end switch did not report. If the gate did move, check the switch and its plug.")
		}
		for _, m := range s.sensed() {
			text := "The gate of " + the(m)
			for _, g := range s.gates() {
				if g.machine == m && g.actuator != st.of {
					text = "Another gate of " + the(m)
				}
			}
			v.offer("machine:"+m, "%s", text)
		}
		v.offer("main", "A gate in a main duct")
		v.offer("sweep", "A gate of no machine, such as a floor sweep")
		v.offer(nothing, "Nothing moved")
		v.offer(again, "Move it again")
		if l.unseen {
			v.offer("no switch", "It moved: do without its end switch")
		}
		unused()
	}
}

func (s *Session) showLearn(st step, now time.Duration, v *View) {
	l := s.live
	v.Title = s.title(st)
	channels := s.channelsOf(st.of)
	_, was := s.learned.Machine(st.of, s.rig.Sensors(channels), s.voltsOf(st.of), s.supply().hertz)
	others := func() {
		if was != nil && was.Start > 0 {
			start, stop := was.Scaled(s.voltsOf(st.of))
			amps := func(a float64) string { return config.Metric.Format(config.Current, a) }
			if doubt := was.Doubt(s.rig.Sensors(channels), s.voltsOf(st.of), s.supply().hertz); l.phase == ready {
				v.say("%s. Its levels were %s and %s; the same power would give %s and %s here. That is only a proposal.", capital(doubt), amps(was.Start), amps(was.Stop), amps(start), amps(stop))
				if math.Abs(was.Hertz-s.supply().hertz) > 1 {
					v.say("Doubtful too: a motor draws another current at another frequency.")
				}
			}
			v.offer("proposal:"+amps(start)+" "+amps(stop), "Take the proposal, %s and %s, and learn later", amps(start), amps(stop))
		}
		v.offer(skip, "Learn later: use default levels until then")
	}
	switch l.phase {
	case ready:
		v.say("It takes half a minute: off, on, and off again. Then you say when the tool stops.")
		v.offer("start", "Begin")
		v.Keep = "start"
		others()
	case busy:
		v.Live = true
		p := l.lesson.Prompt(now)
		v.Amps, v.Share = p.Amps, p.Share
		if p.Step == LearningRest {
			p.Text = "Watch the tool, and say so the moment it stops."
		}
		v.say("%s", p.Text)
		if p.Other != "" {
			v.say("The current rises on %s instead.", p.Other)
		}
		if p.Key != "" {
			v.offer("mark", "%s", capital(p.Key))
			v.Keep = "mark"
		}
		if p.Step == LearningRest {
			v.offer(skip, "I do not know the coast-down")
		} else {
			others()
		}
	case result:
		for _, line := range l.lines {
			v.say("%s", line)
		}
		if l.good {
			v.offer("learned", "Keep that")
			v.Keep = "learned"
		}
		v.offer(again, "Learn it again")
		if !l.good {
			v.Keep = again
		}
		others()
	}
}

func (s *Session) showReport(st step, v *View) {
	l := s.live
	v.Title = s.title(st)
	if st.what == "activate" && l.phase == ready {
		v.say("What changes:")
		v.Text = append(v.Text, s.Differences()...)
		v.say("Use the new shop from now on? It takes effect once the shop is at rest.")
		v.offer(yes, "Yes")
		return
	}
	if l.phase == busy {
		v.Working = true
		v.say("kerfwind is working it out.")
		return
	}
	v.Text = append(v.Text, l.lines...)
	switch {
	case l.good:
		v.offer(yes, "Go on")
		v.Keep = yes
	case st.what == "air" || st.what == "dry":
		v.offer(again, "Work it out again")
		v.offer(yes, "Go on although")
	default:
		v.offer(again, "Look again")
		v.Keep = again
	}
}
