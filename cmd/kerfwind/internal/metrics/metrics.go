// Package metrics counts what the shop does, for a Prometheus server to
// scrape: is it collecting, hours, starts against the budget, faults, how long
// detection and commands take, what was dropped, how the sensors fare.
//
// It has a registry of its own. Units are base units (seconds, amperes, cubic
// metres a second), label values are the owner's names and fixed words, and
// every series exists from the start with 0. States are one series a state, of
// which one is 1. Nothing here takes a lock that a scrape could hold for long:
// every series is found once, in New, and is one atomic number after that.
package metrics

import (
	"net/http"
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/duct"
	"kerfwind/sensor"
)

// states are the series of one thing's state: one of them is 1.
type states []prometheus.Gauge

// set makes state n the one; a state out of range makes all 0.
func (s states) set(n int) {
	for i, g := range s {
		v := 0.0
		if i == n {
			v = 1
		}
		g.Set(v)
	}
}

// yes is 1 for true and 0 for false.
func yes(g prometheus.Gauge, b bool) {
	if b {
		g.Set(1)
	} else {
		g.Set(0)
	}
}

// machine holds the series of one machine.
type machine struct {
	sensed            states
	running, served   prometheus.Gauge
	uncollected       prometheus.Gauge
	runs              prometheus.Counter
	seconds, unserved prometheus.Counter
	flow              prometheus.Gauge

	waits   bool          // for collection, since began
	began   time.Duration // onset of the run
	prevRun bool
	prevNot bool // ran and was not served
}

// gate holds the series of one gate.
type gate struct {
	position     states
	held         prometheus.Gauge
	opens, shuts prometheus.Counter
	travel       prometheus.Observer

	sent   time.Duration // when it was last sent somewhere
	moving bool
}

// collector holds the series of the collector.
type collector struct {
	collecting, commanded prometheus.Gauge
	sensed                states
	on, running           prometheus.Counter
	starts, overBudget    prometheus.Counter
	allowed               prometheus.Gauge
	left                  prometheus.Gauge // nil: no budget
	held                  map[control.Cause]prometheus.Counter
	weak                  prometheus.Counter
	delay                 prometheus.Observer
	flow                  prometheus.Gauge
	prevOn, prevRunning   bool
}

// outlet holds the series of one outlet.
type outlet struct {
	on      prometheus.Gauge
	seconds prometheus.Counter
	prevOn  bool
}

// channel holds the series of one channel of the rig.
type channel struct {
	amps   prometheus.Gauge
	health states
}

// source holds the series of one converter.
type source struct {
	frames, errors, missed, stale prometheus.Counter
	age                           prometheus.Observer
	next                          uint64
	any                           bool
}

// output holds the series of one sort of output.
type output struct {
	latency prometheus.Observer
	failed  prometheus.Counter
}

// Metrics is the observer. Observe, Snapshot, Reading, Frame, Applied, Answered
// and Late belong to the loop's goroutine; everything else may be called by
// anybody.
type Metrics struct {
	reg *prometheus.Registry

	seconds                           prometheus.Counter
	stoodDown, latched, closed, full  prometheus.Gauge
	late                              prometheus.Observer
	detect                            [2]prometheus.Observer // start, stop
	events                            []prometheus.Counter   // by EventKind
	faults                            states                 // by FaultKind; counts, not one-hot
	raised                            []prometheus.Counter   // by FaultKind
	refused                           map[control.Cause]prometheus.Counter
	machines                          []machine
	gates                             []gate
	outlets                           []outlet
	channels                          []channel
	loads                             []load
	draws                             upkeep.Loads
	sources                           []source
	circuits                          []states
	stops                             []prometheus.Gauge
	col                               collector
	out                               [3]output // collector, outlet, gate
	pending                           [256]sent // commands on their way, by Seq
	now                               time.Duration
	net                               *duct.Network // nil: no flow is computed
	look                              func(open uint64) (total float64, flow []float64, ok bool)
	queueDropped, queueLen, queueRoom *prometheus.Desc
	queues                            queues
}

// sent is a command without an answer yet.
type sent struct {
	seq uint32
	at  time.Duration
	set bool
}

// quick are the buckets of what should take milliseconds, slow of what takes
// seconds.
var (
	quick = []float64{.001, .0025, .005, .01, .02, .03, .05, .075, .1, .2, .5, 1, 3}
	slow  = []float64{.1, .25, .5, .75, 1, 1.5, 2, 3, 5, 10, 30}
)

// families makes the families of series; it only shortens New.
type families struct{ reg *prometheus.Registry }

func (f families) counter(name, help string, labels ...string) *prometheus.CounterVec {
	v := prometheus.NewCounterVec(prometheus.CounterOpts{Name: "kerfwind_" + name, Help: help}, labels)
	f.reg.MustRegister(v)
	return v
}

func (f families) gauge(name, help string, labels ...string) *prometheus.GaugeVec {
	v := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "kerfwind_" + name, Help: help}, labels)
	f.reg.MustRegister(v)
	return v
}

func (f families) histogram(name, help string, buckets []float64, labels ...string) *prometheus.HistogramVec {
	v := prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "kerfwind_" + name, Help: help, Buckets: buckets,
		NativeHistogramBucketFactor: 1.1, NativeHistogramMaxBucketNumber: 100, NativeHistogramMinResetDuration: time.Hour}, labels)
	f.reg.MustRegister(v)
	return v
}

// oneOf makes the series of one thing's states: the label values of the thing,
// then each of the states.
func oneOf(v *prometheus.GaugeVec, words []string, labels ...string) states {
	out := make(states, len(words))
	for i, w := range words {
		out[i] = v.WithLabelValues(append(append([]string(nil), labels...), w)...)
	}
	return out
}

// words lists the names of an enumeration from its first value to its last.
func words(first int, name func(int) string) []string {
	var out []string
	for i := first; name(i) != "invalid" && i < 256; i++ {
		out = append(out, name(i))
	}
	return out
}

// heldBack are the causes for which a wanted start waits, and refusals those
// for which a request is refused. A cause that is not listed is counted as
// "other".
var (
	heldBack = []control.Cause{control.ByInrush, control.ByConfirm, control.ByPath, control.ByPowerUp, control.ByBin, control.BySwitch, control.ByFault,
		control.ByBudget, control.ByMinOff, control.ByStillOn}
	refusals = []control.Cause{control.ByOrigin, control.ByBusy, control.ByShopClosed, control.ByStale, control.ByBadRequest, control.ByMain,
		control.ByNotActuated, control.ByStandDown, control.ByStop, control.ByPowerUp, control.ByFault, control.ByUnknown, control.ByNoHolds}
)

func byCause(v *prometheus.CounterVec, causes []control.Cause) map[control.Cause]prometheus.Counter {
	out := map[control.Cause]prometheus.Counter{0: v.WithLabelValues("other")}
	for _, c := range causes {
		out[c] = v.WithLabelValues(c.String())
	}
	return out
}

func countCause(m map[control.Cause]prometheus.Counter, c control.Cause) {
	n, ok := m[c]
	if !ok {
		n = m[0]
	}
	n.Inc()
}

var verdicts = words(1, func(i int) string { return control.Verdict(i).String() })

// New returns the metrics of a shop, every series at 0. version is the
// program's.
func New(shop *config.Shop, version string) *Metrics {
	m := &Metrics{reg: prometheus.NewRegistry()}
	m.reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	f := families{m.reg}
	p := shop.Control()

	f.gauge("build_info", "Always 1; the labels say which program this is.", "version", "goversion").WithLabelValues(version, runtime.Version()).Set(1)
	m.seconds = f.counter("control_seconds_total", "Time that the control loop has gone through. It grows by 1 a second, or the loop hangs.").WithLabelValues()
	m.late = f.histogram("control_lateness_seconds", "How late a deadline was acted on.", quick).WithLabelValues()
	m.stoodDown = f.gauge("stood_down", "1 while kerfwind commands nothing until it is lifted at the shop.").WithLabelValues()
	m.latched = f.gauge("latched", "1 while only a local act makes the collector start again.").WithLabelValues()
	m.closed = f.gauge("shop_closed", "1 out of the shop's hours.").WithLabelValues()
	m.full = f.gauge("bin_full", "1 while the bin is full.").WithLabelValues()

	v := f.counter("events_total", "What happened, by kind of event.", "event")
	for _, w := range words(1, func(i int) string { return control.EventKind(i).String() }) {
		m.events = append(m.events, v.WithLabelValues(w))
	}
	kinds := words(1, func(i int) string { return control.FaultKind(i).String() })
	m.faults = oneOf(f.gauge("faults", "Faults that stand now.", "fault"), kinds)
	v = f.counter("faults_raised_total", "Faults that have come up.", "fault")
	for _, w := range kinds {
		m.raised = append(m.raised, v.WithLabelValues(w))
	}
	m.refused = byCause(f.counter("requests_refused_total", "Requests that were refused, by the reason.", "reason"), refusals)
	d := f.histogram("detection_latency_seconds", "From the estimated onset of a start or stop to its detection.", quick, "edge")
	m.detect = [2]prometheus.Observer{d.WithLabelValues("start"), d.WithLabelValues("stop")}
	l := f.histogram("command_latency_seconds", "From a command to the driver's answer.", quick, "output")
	v = f.counter("commands_failed_total", "Commands that could not be carried out.", "output")
	for i, w := range []string{"collector", "outlet", "gate"} {
		m.out[i] = output{l.WithLabelValues(w), v.WithLabelValues(w)}
	}
	m.newMachines(f, p.Machines)
	m.newGates(f, p.Gates)
	m.newCollector(f, &p)
	m.newOthers(f, &p)
	m.newSensors(f, shop.Rig)
	m.newLoads(f, shop)
	m.newQueues()
	return m
}

func (m *Metrics) newMachines(f families, list []control.Machine) {
	sensed := f.gauge("machine_state", "What a machine's sensor says: 1 for one of the states.", "machine", "state")
	running := f.gauge("machine_running", "1 while a run is on, also while its sensor is lost.", "machine")
	served := f.gauge("machine_served", "1 while every path of the machine is open and the collector is on.", "machine")
	uncollected := f.gauge("uncollected", "1 while the machine runs and its dust is not collected; it is a fault.", "machine")
	runs := f.counter("machine_runs_total", "Runs that have begun.", "machine")
	seconds := f.counter("machine_run_seconds_total", "Time that the machine has run.", "machine")
	unserved := f.counter("machine_unserved_seconds_total", "Time that the machine has run without collection.", "machine")
	flow := f.gauge("machine_flow_cubic_meters_per_second", "Computed flow at the machine's hoods while the collector is on, with the gates as they are; 0 where it is not computed.", "machine")
	for i := range list {
		n := list[i].Name
		m.machines = append(m.machines, machine{sensed: oneOf(sensed, verdicts, n), running: running.WithLabelValues(n), served: served.WithLabelValues(n), uncollected: uncollected.WithLabelValues(n),
			runs: runs.WithLabelValues(n), seconds: seconds.WithLabelValues(n), unserved: unserved.WithLabelValues(n), flow: flow.WithLabelValues(n)})
	}
}

func (m *Metrics) newGates(f families, list []control.Gate) {
	position := f.gauge("gate_position", "Where a gate is believed to be: 1 for one of the positions.", "gate", "position")
	held := f.gauge("gate_held", "1 while the gate is held open by hand.", "gate")
	moves := f.counter("gate_moves_total", "How often the gate was sent open or shut.", "gate", "to")
	travel := f.histogram("gate_travel_seconds", "From the command to a gate's arrival, by its switch or its travel time.", slow, "gate")
	for i := range list {
		n := list[i].Name
		m.gates = append(m.gates, gate{position: oneOf(position, words(0, func(i int) string { return control.Position(i).String() }), n),
			held: held.WithLabelValues(n), opens: moves.WithLabelValues(n, "open"), shuts: moves.WithLabelValues(n, "shut"), travel: travel.WithLabelValues(n)})
	}
}

func (m *Metrics) newCollector(f families, p *control.Params) {
	c := &m.col
	c.collecting = f.gauge("collecting", "1 while the collector is on as far as can be seen.").WithLabelValues()
	c.commanded = f.gauge("collector_commanded", "1 while the collector is commanded on.").WithLabelValues()
	c.sensed = oneOf(f.gauge("collector_state", "What the collector's own sensor says: 1 for one of the states; all 0 where it has none.", "state"), verdicts)
	c.on = f.counter("collector_on_seconds_total", "Time that the collector was commanded on.").WithLabelValues()
	c.running = f.counter("collector_running_seconds_total", "Time that the collector ran as sensed, also by hand.").WithLabelValues()
	c.starts = f.counter("collector_starts_total", "Starts that were commanded.").WithLabelValues()
	c.overBudget = f.counter("collector_starts_over_budget_total", "Starts beyond the start budget.").WithLabelValues()
	left := f.gauge("collector_starts_left", "Starts left in the start budget; absent where there is none.")
	c.allowed = f.gauge("collector_starts_allowed", "Starts that the budget allows in an hour; 0 where there is none.").WithLabelValues()
	c.held = byCause(f.counter("collector_starts_held_back_total", "Wanted starts that had to wait, by the reason.", "reason"), heldBack)
	c.weak = f.counter("weak_air_total", "Times that more was open than the air suffices for.").WithLabelValues()
	c.delay = f.histogram("collection_delay_seconds", "From the onset of a run until the machine is served.", slow).WithLabelValues()
	c.flow = f.gauge("collector_flow_cubic_meters_per_second", "Computed flow at the collector while it is on, with the gates as they are; 0 where it is not computed.").WithLabelValues()
	c.allowed.Set(float64(p.Collector.Starts))
	if p.Collector.Starts > 0 {
		c.left = left.WithLabelValues()
		c.left.Set(float64(p.Collector.Starts))
	}
}

func (m *Metrics) newOthers(f families, p *control.Params) {
	on := f.gauge("outlet_on", "1 while the outlet is commanded on.", "outlet")
	seconds := f.counter("outlet_on_seconds_total", "Time that the outlet was commanded on.", "outlet")
	for i := range p.Outlets {
		n := p.Outlets[i].Name
		m.outlets = append(m.outlets, outlet{on: on.WithLabelValues(n), seconds: seconds.WithLabelValues(n)})
	}
	load := f.gauge("circuit_load", "The load of a circuit against its breaker: 1 for one of the classes.", "circuit", "load")
	for i := range p.Circuits {
		m.circuits = append(m.circuits, oneOf(load, words(1, func(i int) string { return control.Load(i).String() }), p.Circuits[i].Name))
	}
	stop := f.gauge("stop_open", "1 while a stop input is open or cannot be read.", "stop")
	for i := range p.Stops {
		m.stops = append(m.stops, stop.WithLabelValues(p.Stops[i].Name))
	}
}

func (m *Metrics) newSensors(f families, rig *config.Rig) {
	amps := f.gauge("channel_current_amperes", "True RMS current of the last mains cycle.", "channel")
	health := f.gauge("channel_health", "Whether a channel can be trusted: 1 for one of the states.", "channel", "health")
	for i := range rig.Channels {
		n := rig.Channels[i].Name
		m.channels = append(m.channels, channel{amps.WithLabelValues(n), oneOf(health, words(1, func(i int) string { return sensor.Health(i).String() }), n)})
	}
	frames := f.counter("source_frames_total", "Frames read from a converter.", "source")
	errs := f.counter("source_errors_total", "Frames that carry a read error.", "source")
	missed := f.counter("source_missed_scans_total", "Scans that are missing between frames.", "source")
	stale := f.counter("source_stale_frames_total", "Frames older than 250 ms when they were taken.", "source")
	age := f.histogram("source_frame_age_seconds", "Age of a frame's last sample when it was taken.", quick, "source")
	for i := range rig.Converters() {
		n := rig.ADCs[i].Name
		m.sources = append(m.sources, source{frames: frames.WithLabelValues(n), errors: errs.WithLabelValues(n), missed: missed.WithLabelValues(n),
			stale: stale.WithLabelValues(n), age: age.WithLabelValues(n)})
	}
}

// Handler serves the metrics.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.reg, promhttp.HandlerOpts{EnableOpenMetrics: true, MaxRequestsInFlight: 4, Registry: m.reg})
}
