package metrics

import (
	"math"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/config"
	"kerfwind/sensor"
)

// load is what a machine, or the collector, draws: the sum over its channels.
type load struct {
	channels []int
	volts    float64 // of its circuit; 0: not known
	amps     prometheus.Gauge
	energy   prometheus.Counter // nil: the voltage is not known
}

// draw is what a channel draws.
type draw struct {
	amps  float64
	at    time.Duration
	known bool
}

// longestGap between two readings still counts as drawn through.
const longestGap = 2 * time.Second

func (m *Metrics) newLoads(f families, shop *config.Shop) {
	amps := f.gauge("load_current_amperes", "True RMS current of a machine or of the collector: the sum over its channels; NaN while one of them is not known.", "of")
	energy := f.counter("load_apparent_energy_volt_ampere_seconds_total", "Current times the voltage of the circuit, over time: apparent energy, not what a meter counts.", "of")
	m.draws = make([]draw, len(shop.Rig.Channels))
	add := func(name string, channels []int, circuit int) {
		if len(channels) == 0 {
			return
		}
		l := load{channels: channels, amps: amps.WithLabelValues(name)}
		if circuit >= 0 && shop.Circuits[circuit].Voltage > 0 {
			l.volts, l.energy = shop.Circuits[circuit].Voltage, energy.WithLabelValues(name)
		}
		m.loads = append(m.loads, l)
	}
	for i := range shop.Machines {
		x := &shop.Machines[i]
		add(x.Name, x.Channels, x.Circuit)
	}
	if ch := shop.Collector.Channel; ch >= 0 {
		add("collector", []int{ch}, shop.Collector.Circuit)
	}
}

// load takes over a reading into what it is part of.
func (m *Metrics) load(r sensor.Reading) {
	d := &m.draws[r.Channel]
	gap := r.At - d.at
	drawn := 0.0
	if d.known && gap > 0 && gap <= longestGap {
		drawn = d.amps * gap.Seconds()
	}
	a := float64(r.Amps)
	*d = draw{a, r.At, r.Verdict != sensor.Unknown && a >= 0 && !math.IsInf(a, 0) && !math.IsNaN(a)}
	for i := range m.loads {
		l := &m.loads[i]
		sum, mine := 0.0, false
		for _, c := range l.channels {
			mine = mine || c == r.Channel
			if !m.draws[c].known {
				sum = math.NaN()
			}
			sum += m.draws[c].amps
		}
		if !mine {
			continue
		}
		l.amps.Set(sum)
		if l.energy != nil {
			l.energy.Add(drawn * l.volts)
		}
	}
}

// tally collects what the history has counted when it is scraped.
type tally struct {
	latest                         func() *upkeep.Tally
	due, used, ran, collector, day *prometheus.Desc
}

// Tally adds what the history has counted; latest is called at each scrape, by any
// goroutine, and must not wait; nil: no history tells it.
func (m *Metrics) Tally(latest func() *upkeep.Tally) {
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("kerfwind_"+name, help, labels, nil)
	}
	m.reg.MustRegister(&tally{latest,
		desc("upkeep_due", "1 while an item of upkeep is due.", "item"),
		desc("upkeep_used_ratio", "How much of an item's interval is used: 1 is due. Absent while its interval is not known.", "item"),
		desc("history_machine_run_seconds_total", "Time that the machine has run by the history, which outlasts a restart.", "machine"),
		desc("history_collector_run_seconds_total", "Time that the collector has run by the history."),
		desc("history_runs_today", "Runs that ended today, by the history.", "machine"),
	})
}

// Describe is for the registry.
func (t *tally) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{t.due, t.used, t.ran, t.collector, t.day} {
		to <- d
	}
}

// Collect is for the registry.
func (t *tally) Collect(to chan<- prometheus.Metric) {
	x := t.latest()
	if x == nil {
		return
	}
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	for i := range x.Items {
		it := &x.Items[i]
		due := 0.0
		if it.Due() {
			due = 1
		}
		gauge(t.due, due, it.Name)
		if it.Every > 0 {
			gauge(t.used, it.Part(), it.Name)
		}
	}
	for name, c := range x.Machines {
		to <- prometheus.MustNewConstMetric(t.ran, prometheus.CounterValue, c.Hours*3600, name)
		gauge(t.day, float64(c.Today), name)
	}
	to <- prometheus.MustNewConstMetric(t.collector, prometheus.CounterValue, x.Collector.Hours*3600)
}
