package config

import (
	"fmt"
	"slices"
	"strconv"

	"kerfwind/sensor"
)

// Calibration says in words what makes amperes of the counts of a channel.
// Learned figures hold as long as it stays the same.
func (r *Rig) Calibration(channel int) string {
	if r.amperes {
		return "amperes"
	}
	c := &r.Channels[channel]
	a := &r.ADCs[c.ADC]
	s := fmt.Sprintf("%s of %s, %s", a.Chip, Metric.Format(Voltage, a.Vref), c.Ratio)
	if c.Ratio.IsCurrent {
		s += " across " + Metric.Format(Resistance, c.Burden)
	}
	return s + ", " + count(c.Turns, "turn")
}

// Sensors names channels with their calibrations, as sensor.LearnedMachine
// has them.
func (r *Rig) Sensors(channels []int) []string {
	out := make([]string, len(channels))
	for i, ch := range channels {
		out[i] = sensor.SensorKey(r.Channels[ch].Name, r.Calibration(ch))
	}
	return out
}

// Supply is the voltage and frequency of a circuit, or of the shop where the
// circuit is None. 0 is not known.
func (s *Shop) Supply(circuit int) (volts, hertz float64) {
	volts = s.Mains.Voltage
	if circuit >= 0 {
		volts = s.Circuits[circuit].Voltage
	}
	return volts, s.Mains.Frequency
}

// levels are start and stop levels on their way to be in force, and where they
// come from.
type levels struct {
	start, stop           *float64
	startGiven, stopGiven bool // in the shop file
	say                   *said
}

// said returns what check says of a pair of levels.
type said struct {
	why   string   // where they come from; "" as the files have it
	notes []string // what else has been learned
}

// Learn applies what has been learned, where the shop file does not give
// a level: then the file's own figure stays. What was learned on another supply
// or with another calibration is doubtful: it is told and not used. It is to be
// called once, before the shop is used.
func (s *Shop) Learn(l *sensor.Learned) {
	for i := range s.Machines {
		m := &s.Machines[i]
		s.learn(l, m.Name, m.Channels, m.Circuit, levels{&m.Start, &m.Stop, m.given, m.stopGiven, &m.said}, "machine")
	}
	if c := &s.Collector; c.Channel >= 0 {
		s.learn(l, collectorName, []int{c.Channel}, c.Circuit, levels{&c.Start, &c.Stop, c.given, c.stopGiven, &c.said}, collectorName)
	}
	s.idle = make([]sensor.Level, len(s.Rig.Channels))
	for ch, u := range s.Channels() {
		c := l.Channel(s.Rig.Channels[ch].Name, s.Rig.Calibration(ch))
		if !u.Used() || c == nil {
			continue
		}
		if c.Idle.Mean >= u.Start {
			s.warn(fmt.Sprintf("channel %q was learned to show %s while idle, and its start level is %s", c.Channel, amps(c.Idle.Mean), amps(u.Start)),
				"raise the level, or learn it again")
			continue
		}
		s.idle[ch] = c.Idle
	}
	s.shares = s.Rig.Shares(l)
}

// Shares is what has been learned of crosstalk, as far as both calibrations stay.
func (r *Rig) Shares(l *sensor.Learned) []sensor.Share {
	var out []sensor.Share
	keys := make([]string, len(r.Channels))
	for i := range keys {
		keys[i] = sensor.SensorKey(r.Channels[i].Name, r.Calibration(i))
	}
	for _, p := range l.Pairs {
		if a, b := slices.Index(keys, p.Channel), slices.Index(keys, p.Of); a >= 0 && b >= 0 && a != b {
			out = append(out, sensor.Share{Channel: a, Of: b, Re: p.Re, Im: p.Im, Amps: p.Amps})
		}
	}
	return out
}

// Pairs puts shares into the form in which they are kept.
func (r *Rig) Pairs(shares []sensor.Share, when string) []sensor.LearnedPair {
	var out []sensor.LearnedPair
	for _, x := range shares {
		out = append(out, sensor.LearnedPair{Channel: r.Sensors([]int{x.Channel})[0], Of: r.Sensors([]int{x.Of})[0], Re: x.Re, Im: x.Im, Amps: x.Amps, Learned: when})
	}
	return out
}

// learn applies the learned levels of one machine, or of the collector.
func (s *Shop) learn(l *sensor.Learned, name string, channels []int, circuit int, v levels, table string) {
	if len(channels) == 0 {
		return
	}
	volts, hertz := s.Supply(circuit)
	sensors := s.Rig.Sensors(channels)
	here, other := l.Machine(name, sensors, volts, hertz)
	note := func(format string, a ...any) { v.say.notes = append(v.say.notes, fmt.Sprintf(format, a...)) }
	switch {
	case here != nil && here.Margin == sensor.NoMargin:
		s.warn(fmt.Sprintf("%q: no level tells it running from idle: it showed %s at least while it ran", name, amps(here.Least)),
			"look at its clamp: one conductor, closed, more turns; then learn it again")
	case here != nil:
		what := fmt.Sprintf("start %s, stop %s, margin %s", amps(here.Start), amps(here.Stop), here.Margin)
		switch {
		case v.startGiven:
			note("learned, but the file's stand: %s", what)
			return
		case v.stopGiven && *v.stop > here.Start:
			note("learned, but not used, since the stop level in the file is above: %s", what)
			return
		case slices.ContainsFunc(channels, func(ch int) bool { return here.Start > s.Rig.Range(ch) }):
			note("learned, but not used, since the channel clips below: %s", what)
			return
		}
		s.undefault(table+".start", *v.start)
		*v.start = here.Start
		if !v.stopGiven {
			s.undefault(table+".stop", *v.stop)
			*v.stop = here.Stop
		}
		v.say.why = "learned"
		if here.Learned != "" {
			v.say.why += " " + here.Learned
		}
		v.say.why += ", margin " + here.Margin.String()
	case other != nil:
		text := fmt.Sprintf("%q: %s; its levels there were start %s, stop %s", name, other.Doubt(sensors, volts, hertz), amps(other.Start), amps(other.Stop))
		if start, stop := other.Scaled(volts); start != other.Start {
			text += fmt.Sprintf(", which at the same power would be %s and %s here", amps(start), amps(stop))
		}
		s.warn(text+"; they are not used", "learn it here")
	}
}

// BelowWords says that a channel carried a current that stayed below its start
// level, and which level would see it. It is empty where there was none.
func BelowWords(name string, b *sensor.Below, start float64) string {
	peak, level, ok := b.Missed(start)
	if !ok {
		return ""
	}
	return fmt.Sprintf("%s reached %s and no more, %s below its start level of %s: a level of %s would see it. Learn its machine, or write the level in the shop file",
		name, amps(peak), amps(start-peak), amps(start), amps(level))
}

// warn adds a warning that has no place in a file.
func (s *Shop) warn(message, remedy string) {
	s.Warnings = append(s.Warnings, Problem{File: s.File, Message: message, Remedy: remedy})
}

// undefault takes one use of a default off the list.
func (s *Shop) undefault(key string, value float64) {
	i := slices.IndexFunc(s.Defaults, func(d Default) bool { return d.Key == key && d.Value == strconv.Quote(amps(value)) })
	if i < 0 {
		return
	}
	s.Defaults = slices.Clone(s.Defaults)
	if s.Defaults[i].Count--; s.Defaults[i].Count <= 0 {
		s.Defaults = slices.Delete(s.Defaults, i, i+1)
	}
}

// describeIdleLevels says what channels have been learned to show while their
// machines are off.
func (s *Shop) describeIdleLevels(p *page) {
	for ch, idle := range s.idle {
		if idle == (sensor.Level{}) {
			continue
		}
		if !slices.ContainsFunc(s.idle[:ch], func(l sensor.Level) bool { return l != (sensor.Level{}) }) {
			p.line(0, "Learned of idle channels, for weak starts")
		}
		p.line(1, "%s: %s, spread %s", s.Rig.Channels[ch].Name, amps(idle.Mean), amps(idle.Spread))
	}
	first := true
	for _, x := range s.shares {
		if x.Size() < sensor.HeardMuch/2 {
			continue
		}
		if first {
			p.line(0, "Learned of channels that hear each other")
			first = false
		}
		p.line(1, "%s", x.Words(s.Rig.Channels[x.Channel].Name, s.Rig.Channels[x.Of].Name))
	}
}
