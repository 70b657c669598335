package cart

import (
	"os"
	"sync/atomic"

	"github.com/prometheus/client_golang/prometheus"

	"bayfill/fillcalc"
	"bayfill/sensors"
)

// meter holds the metrics of one cart. The loop writes them; any goroutine may read.
type meter struct {
	readings, faulty *prometheus.CounterVec        // by sensor
	frames           map[string]prometheus.Counter // of readings, by sensor: a look-up by labels takes twice as long
	condition        *prometheus.GaugeVec          // by sensor and condition
	conditions       map[string]*word              // by sensor
	phases           *prometheus.GaugeVec
	phase            word
	latency          prometheus.Histogram
	journalled       prometheus.Counter
	unsaved          prometheus.Gauge
	refusedLines     prometheus.Counter
	givenUp          prometheus.Counter

	lastEventNs atomic.Int64
	onDiskSeq   atomic.Uint64 // of the newest event on disk
}

// word is a metric that is 1 for the present word and 0 for earlier ones.
type word struct {
	of  *prometheus.GaugeVec
	now string
}

// set makes text the present word.
func (w *word) set(text string) {
	if text == w.now {
		return
	}
	if w.now != "" {
		w.of.WithLabelValues(w.now).Set(0)
	}
	w.of.WithLabelValues(text).Set(1)
	w.now = text
}

// newMeter returns metrics that are not registered yet.
func newMeter() *meter {
	counter := func(name, help string) prometheus.CounterOpts { return prometheus.CounterOpts{Name: name, Help: help} }
	gauge := func(name, help string) prometheus.GaugeOpts { return prometheus.GaugeOpts{Name: name, Help: help} }
	m := &meter{
		readings:   prometheus.NewCounterVec(counter("bayfill_readings_total", "Decoded frames, faulty ones included."), []string{"sensor"}),
		faulty:     prometheus.NewCounterVec(counter("bayfill_readings_faulty_total", "Frames that were damaged, or that reported a fault of the instrument."), []string{"sensor"}),
		condition:  prometheus.NewGaugeVec(gauge("bayfill_sensor_condition", "1 for the condition of a sensor, 0 for earlier conditions."), []string{"sensor", "condition"}),
		conditions: map[string]*word{}, frames: map[string]prometheus.Counter{},
		phases: prometheus.NewGaugeVec(gauge("bayfill_job_phase", "1 for the phase of the job, none without a job; 0 for earlier phases."), []string{"phase"}),
		latency: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "bayfill_loop_latency_seconds", Help: "From the arrival of a frame's last byte until the cart's loop had handled it.",
			Buckets: []float64{0.0005, 0.001, 0.0025, 0.005, 0.01, 0.05, 0.1, 0.5, 1, 5, 15},
		}),
		journalled:   prometheus.NewCounter(counter("bayfill_journal_events_total", "Events that this run has saved on disk.")),
		unsaved:      prometheus.NewGauge(gauge("bayfill_unsaved_events", "Events that are not on disk yet.")),
		refusedLines: prometheus.NewCounter(counter("bayfill_history_refused_lines_total", "Lines that the history refused for good in this run.")),
		givenUp:      prometheus.NewCounter(counter("bayfill_journal_given_up_readings_total", "Readings that this run has deleted from a journal at its limit before a history had them.")),
	}
	m.phase.of = m.phases
	return m
}

// newOutcomes returns the counter of commands by outcome.
func newOutcomes() *prometheus.CounterVec {
	outcomes := prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "bayfill_commands_total", Help: "Commands by outcome: done, repeated (answered again), refused, busy.",
	}, []string{"outcome"})
	for _, word := range []string{"done", "repeated", "refused", "busy"} {
		outcomes.WithLabelValues(word)
	}
	return outcomes
}

// register registers a cart's metrics. Some are computed when they are read.
func (m *meter) register(r prometheus.Registerer, c *Cart, sentSeq func() uint64) {
	r = prometheus.WrapRegistererWith(prometheus.Labels{"shop": c.shopName, "cart": c.config.Name}, r)
	gauge := func(name, help string, value func() float64) {
		r.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: name, Help: help}, value))
	}
	// A series must exist before its first event, or a rate does not see that event.
	for i := range c.config.Sensors {
		m.readings.WithLabelValues(c.config.Sensors[i].Name)
		m.faulty.WithLabelValues(c.config.Sensors[i].Name)
	}
	r.MustRegister(m.readings, m.faulty, m.condition, m.phases, m.latency, m.journalled, m.unsaved, m.givenUp, c.link.outcomes)
	gauge("bayfill_journal_bytes", "Size of the journal on disk.", func() float64 {
		var bytes int64
		for _, ending := range []string{"", "-wal"} {
			if info, err := os.Stat(c.path + ending); err == nil {
				bytes += info.Size()
			}
		}
		return float64(bytes)
	})
	// Its age, not its time: the cart's clock may differ from the reader's.
	gauge("bayfill_last_event_age_seconds", "Age of the newest event by the cart's own clock.", func() float64 {
		return float64(c.clock.NowNs()-m.lastEventNs.Load()) / 1e9
	})
	gauge("bayfill_broker_connected", "1 while the cart is connected to the broker.", func() float64 {
		if c.link.connected.Load() {
			return 1
		}
		return 0
	})
	if sentSeq != nil {
		r.MustRegister(m.refusedLines)
		gauge("bayfill_history_backlog_events", "Events after the newest that the history has; at the journal's limit some of them are deleted.", func() float64 {
			// In this order: in the other one the difference could be below 0.
			sent := sentSeq()
			return float64(m.onDiskSeq.Load() - sent)
		})
	}
}

// Register registers the cart's metrics. sentSeq returns the sequence number up to
// which the history has everything; nil without a history.
func (c *Cart) Register(r prometheus.Registerer, sentSeq func() uint64) {
	c.meter.register(r, c, sentSeq)
}

// read counts a frame that the loop has handled.
func (m *meter) read(e *fillcalc.Event, damaged error, nowNs int64) {
	frames := m.frames[e.Sensor]
	if frames == nil {
		frames = m.readings.WithLabelValues(e.Sensor)
		m.frames[e.Sensor] = frames
	}
	frames.Inc()
	if damaged != nil || e.Faults != 0 {
		m.faulty.WithLabelValues(e.Sensor).Inc()
	}
	m.latency.Observe(float64(nowNs-e.AtNs) / 1e9)
}

// sensor notes the condition of a sensor.
func (m *meter) sensor(name string, now sensors.Condition) {
	w := m.conditions[name]
	if w == nil {
		w = &word{of: m.condition.MustCurryWith(prometheus.Labels{"sensor": name})}
		m.conditions[name] = w
	}
	w.set(string(now))
}

// turn notes the cart's state after a turn of its loop.
func (m *meter) turn(s *fillcalc.State, unsaved int) {
	m.lastEventNs.Store(s.NowNs)
	m.unsaved.Set(float64(unsaved))
	if s.Job.Phase == fillcalc.NoJob {
		m.phase.set("none")
	} else {
		m.phase.set(string(s.Job.Phase))
	}
}

// saved notes events that are on disk.
func (m *meter) saved(events []fillcalc.Event) {
	if n := len(events); n > 0 {
		m.journalled.Add(float64(n))
		m.onDiskSeq.Store(events[n-1].Seq)
	}
}
