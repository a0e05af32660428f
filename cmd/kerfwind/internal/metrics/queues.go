package metrics

import (
	"sync"

	"github.com/prometheus/client_golang/prometheus"
)

// Queue holds what a bounded queue tells of itself.
type Queue struct {
	Waiting, Room int
	Dropped       int64
}

// queues collects the queues when they are scraped.
type queues struct {
	mu   sync.Mutex
	list []namedQueue
	m    *Metrics
}

type namedQueue struct {
	name string
	ask  func() Queue
}

// Queue adds a queue to the metrics; ask is called at each scrape, by any
// goroutine, and must not wait.
func (m *Metrics) Queue(name string, ask func() Queue) {
	m.queues.mu.Lock()
	defer m.queues.mu.Unlock()
	m.queues.list = append(m.queues.list, namedQueue{name, ask})
}

// Broker adds whether the link to the broker is up; up is called at each
// scrape, by any goroutine, and must not wait.
func (m *Metrics) Broker(up func() bool) {
	m.reg.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "kerfwind_broker_connected", Help: "1 while the link to the broker is up."}, func() float64 {
		if up() {
			return 1
		}
		return 0
	}))
}

// Node adds whether another computer of the shop senses and drives for this
// one; up is called as that of Broker.
func (m *Metrics) Node(name string, up func() bool) {
	m.reg.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "kerfwind_node_up", Help: "1 while a node senses and drives for this computer.",
		ConstLabels: prometheus.Labels{"node": name}}, func() float64 {
		if up() {
			return 1
		}
		return 0
	}))
}

func (m *Metrics) newQueues() {
	desc := func(name, help string) *prometheus.Desc {
		return prometheus.NewDesc("kerfwind_queue_"+name, help, []string{"queue"}, nil)
	}
	m.queueDropped = desc("dropped_total", "Events that a full queue has dropped.")
	m.queueLen = desc("waiting", "What waits in a queue now.")
	m.queueRoom = desc("capacity", "What a queue holds at most.")
	m.queues.m = m
	m.reg.MustRegister(&m.queues)
}

// Describe is for the registry.
func (q *queues) Describe(to chan<- *prometheus.Desc) {
	to <- q.m.queueDropped
	to <- q.m.queueLen
	to <- q.m.queueRoom
}

// Collect is for the registry.
func (q *queues) Collect(to chan<- prometheus.Metric) {
	q.mu.Lock()
	list := q.list
	q.mu.Unlock()
	for _, x := range list {
		n := x.ask()
		to <- prometheus.MustNewConstMetric(q.m.queueDropped, prometheus.CounterValue, float64(n.Dropped), x.name)
		to <- prometheus.MustNewConstMetric(q.m.queueLen, prometheus.GaugeValue, float64(n.Waiting), x.name)
		to <- prometheus.MustNewConstMetric(q.m.queueRoom, prometheus.GaugeValue, float64(n.Room), x.name)
	}
}
