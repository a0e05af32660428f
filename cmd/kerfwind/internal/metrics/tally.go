package metrics

import (
	"math"
	"slices"

	"github.com/prometheus/client_golang/prometheus"

	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/config"
	"kerfwind/sensor"
)

// load returns what a machine, or the collector, draws: the sum over its channels.
type load struct {
	channels []int
	volts    float64 // of its circuit
	amps     prometheus.Gauge
	energy   prometheus.Counter // nil: the voltage is not known
}

func (m *Metrics) newLoads(f families, shop *config.Shop) {
	const amps, energy = "current_amperes", "apparent_energy_volt_ampere_seconds_total"
	const ampsHelp, energyHelp = "True RMS current: the sum over its channels; NaN while one of them is not known.",
		"Current times the voltage of the circuit, over time: apparent energy, not what a meter counts."
	m.draws = make(upkeep.Loads, len(shop.Rig.Channels))
	add := func(channels []int, circuit int, amps prometheus.Gauge, energy *prometheus.CounterVec, labels ...string) {
		l := load{channels: channels, volts: shop.Volts(circuit), amps: amps}
		if l.volts > 0 {
			l.energy = energy.WithLabelValues(labels...)
		}
		m.loads = append(m.loads, l)
	}
	each, sum := f.gauge("machine_"+amps, ampsHelp, "machine"), f.counter("machine_"+energy, energyHelp, "machine")
	for i := range shop.Machines {
		if x := &shop.Machines[i]; len(x.Channels) > 0 {
			add(x.Channels, x.Circuit, each.WithLabelValues(x.Name), sum, x.Name)
		}
	}
	if ch := shop.Collector.Channel; ch >= 0 {
		add([]int{ch}, shop.Collector.Circuit, f.gauge("collector_"+amps, ampsHelp).WithLabelValues(), f.counter("collector_"+energy, energyHelp))
	}
}

// load takes over a reading into what it is part of.
func (m *Metrics) load(r sensor.Reading) {
	drawn := m.draws.Feed(r.Channel, r.At, float64(r.Amps), r.Verdict != sensor.Unknown)
	for i := range m.loads {
		l := &m.loads[i]
		if !slices.Contains(l.channels, r.Channel) {
			continue
		}
		amps, known := m.draws.Amps(l.channels)
		if !known {
			amps = math.NaN()
		}
		l.amps.Set(amps)
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
