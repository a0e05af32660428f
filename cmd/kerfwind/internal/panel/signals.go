package panel

import (
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// signalsPart shows each sensor against its levels over the last minutes, what
// is wrong with it, and what to do about it.
var signalsPart = Part{Path: "/signals", Title: "Signals", Role: Look, File: "signals.html", Data: signals,
	Routes: append([]Route{
		{Method: http.MethodGet, Path: "/strips", Role: Look, Do: signalStrips},
		{Method: http.MethodGet, Path: "/last", Role: Look, Stream: true, Do: lastRecording},
	}, learnRoutes...)}

// signalsMain holds what the template shows.
type signalsMain struct {
	None     string
	Mains    string
	Hears    []string // which channels hear each other much
	Ago      string   // how far back the strips go
	Channels []signal
	Tape     bool // the last minutes can be saved
	Learn    *learnView
}

// signal is one channel.
type signal struct {
	ID, Name, Use string
	Verdict       string // in words
	Sign          string // of the verdict
	Amps          string
	Noise         string // "" not seen idle in these minutes
	Start, Stop   string // levels; "" none
	Health        string // what is wrong; "" nothing
	Remedy        string
	Strip         *signalStrip
}

// signalStrip is the picture of the last minutes: one unit wide a second, and
// stripHigh high, which goes with the square root of the current. Paths are in
// whole units.
type signalStrip struct {
	Words       string
	Wide, High  int
	Band        string // the area between the lowest and the highest of each second
	Runs        string // where it ran: a line at the foot
	Lost        string // where it could not be trusted
	Start, Stop int    // heights of the levels; below 0: none
	Top, Mid    string // what the whole height is, and half of it
}

// Measures of a strip: our own choice.
const (
	stripHigh    = 60
	stripSeconds = 180
	stripHead    = 1.15 // room above the highest
)

func signals(v *Visit) (any, error) {
	m := makeSignals(v.Shop)
	if v.May(Setup) {
		m.Learn = v.Shop.learn()
	}
	return m, nil
}

// signalStrips answers with what follows by itself.
func signalStrips(v *Visit) error {
	return v.fragment("strips", makeSignals(v.Shop))
}

func makeSignals(s *Shop) *signalsMain {
	m := &signalsMain{Ago: config.FormatDuration(stripSeconds * time.Second), Mains: s.mainsWords()}
	if s.Tape != nil {
		from, to := s.Tape.Kept()
		m.Tape = from < to
	}
	uses := s.Channels()
	if s.Hears != nil {
		m.Hears = s.Hears()
	}
	for i := range uses {
		m.Channels = append(m.Channels, s.signal(i, &uses[i]))
	}
	if len(m.Channels) == 0 {
		m.None = "This rig has no current sensor. Machines are sensed by contacts or topics: see Now."
	}
	return m
}

// mainsWords says the mains frequency.
func (s *Shop) mainsWords() string {
	if s.Hertz != nil {
		if hz, measured := s.Hertz(); measured {
			words := fmt.Sprintf("Mains %.2f Hz, measured.", hz)
			if doubt := sensor.MainsDoubt(hz, s.Mains.Frequency); doubt != "" {
				words += " " + doubt
			}
			return words
		}
	}
	if s.Mains.Frequency > 0 {
		return fmt.Sprintf("Mains %.4g Hz, from the shop file; kerfwind measures it while a machine runs.", s.Mains.Frequency)
	}
	return "The mains frequency is not known yet. kerfwind measures it while a machine runs."
}

func (s *Shop) signal(channel int, u *config.ChannelUse) signal {
	out := signal{ID: strconv.Itoa(channel), Name: s.Rig.Channels[channel].Name, Use: s.useOf(u)}
	if n := s.Rig.Channels[channel].Node; n > 0 {
		out.Use += ", on " + s.Rig.Nodes[n-1].Name
	}
	amps := func(a float64) string { return config.Metric.Format(config.Current, three(a)) }
	if u.Start > 0 && (u.Machine != control.NoID || u.Collector != control.NoID) {
		out.Start, out.Stop = amps(u.Start), amps(u.Stop)
	} else {
		u.Start, u.Stop = 0, 0
	}
	levels := u.Start > 0
	now := s.Now()
	trail := s.Trail(channel)
	for len(trail) > 0 && trail[0].At <= now-stripSeconds*time.Second {
		trail = trail[1:]
	}
	if !levels { // it starts nothing, so nothing of it runs
		for i := range trail {
			trail[i].Running = false
		}
	}
	out.Strip = newSignalStrip(trail, now, u.Start, u.Stop)
	out.Strip.Words = out.Name + ": " + out.Strip.Words
	if len(trail) == 0 {
		out.Verdict, out.Sign = "nothing read yet", "warn"
		return out
	}
	sum, n := 0.0, 0
	for i := range trail {
		if t := &trail[i]; !t.Running && !t.Lost && t.Count > 0 && (u.Stop == 0 || float64(t.High) < u.Stop) {
			sum += t.Sum
			n += t.Count
		}
	}
	if n > 0 && levels {
		out.Noise = amps(sum / float64(n))
	}
	last := &trail[len(trail)-1]
	switch {
	case last.Health != sensor.Healthy:
		out.Verdict, out.Sign = "not to be trusted", "bad"
		out.Health, out.Remedy = last.Health.String(), last.Health.Remedy()
		if last.Health == sensor.Starting {
			out.Verdict, out.Sign = "begins", ""
		}
	case last.Running:
		out.Verdict, out.Sign = "runs", "ok"
	case levels:
		out.Verdict = "idle"
	}
	if last.Count > 0 {
		out.Amps = amps(last.Sum / float64(last.Count))
	}
	return out
}

// useOf says what a channel serves.
func (s *Shop) useOf(u *config.ChannelUse) string {
	switch {
	case u.Machine != control.NoID:
		return s.Names.Name(control.AMachine, u.Machine)
	case u.Collector != control.NoID:
		return s.Names.Name(control.ACollector, u.Collector)
	case len(u.Circuits) > 0:
		return "circuit " + s.Names.Name(control.ACircuit, u.Circuits[0])
	}
	return "nothing in this shop"
}

// three rounds to three figures.
func three(a float64) float64 {
	if a == 0 || math.IsNaN(a) || math.IsInf(a, 0) {
		return a
	}
	step := math.Pow(10, 2-math.Floor(math.Log10(math.Abs(a))))
	return math.Round(a*step) / step
}

// newSignalStrip draws the trail up to now.
func newSignalStrip(trail []Stretch, now time.Duration, start, stop float64) *signalStrip {
	p := &signalStrip{Wide: stripSeconds, High: stripHigh, Start: -1, Stop: -1}
	top, peak := start, 0.0
	for i := range trail {
		if trail[i].Count > 0 {
			peak = max(peak, float64(trail[i].High))
		}
	}
	top = max(top, peak) * stripHead
	if !(top > 0) || math.IsInf(top, 0) {
		top = 1
	}
	y := func(a float64) int {
		return stripHigh - int(math.Round(stripHigh*math.Sqrt(min(max(a/top, 0), 1)))) // an inrush does not flatten the rest
	}
	if start > 0 {
		p.Start, p.Stop = y(start), y(stop)
	}
	end := now.Truncate(trailStep)
	x := func(t *Stretch) int { return stripSeconds - 1 - int((end-t.At)/trailStep) }
	var band, runs, lost strings.Builder
	var back []int // heights of the lower edge, to go back along
	ran, from, next := 0, 0, 0
	shut := func() { // ends a band, along its lower edge
		for i := len(back) - 1; i >= 0; i-- {
			fmt.Fprintf(&band, "V%dh-1", back[i])
		}
		if len(back) > 0 {
			band.WriteString("Z")
		}
		back = back[:0]
	}
	for i := range trail {
		t := &trail[i]
		at := x(t)
		if at < 0 || at >= stripSeconds {
			continue
		}
		if t.Lost {
			fmt.Fprintf(&lost, "M%d 0h1v%dh-1z", at, stripHigh)
		}
		if t.Running {
			fmt.Fprintf(&runs, "M%d %dh1", at, stripHigh-1)
			ran++
		}
		if t.Count == 0 {
			continue
		}
		if len(back) > 0 && at != next {
			shut()
		}
		high, low := y(float64(t.High)), y(float64(t.Low))
		low = max(low, high+1) // a thin line at least
		if len(back) == 0 {
			from = at
			fmt.Fprintf(&band, "M%d %d", from, high)
		} else {
			fmt.Fprintf(&band, "V%d", high)
		}
		band.WriteString("h1")
		back = append(back, low)
		next = at + 1
	}
	shut()
	p.Band, p.Runs, p.Lost = band.String(), runs.String(), lost.String()
	amps := func(a float64) string { return config.Metric.Format(config.Current, three(a)) }
	p.Top, p.Mid = amps(top), amps(top/4) // by the square root
	p.Words = fmt.Sprintf("the last %d s: at most %s", stripSeconds, amps(peak))
	if len(trail) == 0 {
		p.Words = "nothing was read"
	}
	if start > 0 && len(trail) > 0 {
		p.Words += fmt.Sprintf(", ran %d s of them; starts at %s, stops at %s", ran, amps(start), amps(stop))
	}
	return p
}
