package main

import (
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.uber.org/zap"
)

// metrics is what /metrics says of the monitor, in the text format of Prometheus. The
// registry is its own and holds nothing of the process. Every label's values are of
// the site file or of a fixed list: sources, rigs, states and reasons; nothing that a
// sender writes becomes one.
type metrics struct {
	registry *prometheus.Registry
	samples  prometheus.Counter
	frames   prometheus.Counter
	lag      prometheus.Histogram
	passed   prometheus.Gauge
}

func newMetrics(st *station) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		samples:  prometheus.NewCounter(prometheus.CounterOpts{Name: "hoistward_samples_total", Help: "Samples taken, of all rigs."}),
		frames:   prometheus.NewCounter(prometheus.CounterOpts{Name: "hoistward_frames_total", Help: "Frames that went through the detectors, of all rigs."}),
		lag: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "hoistward_loop_lag_seconds", Help: "From the receipt of a message to its estimate and alarms.",
			Buckets: []float64{0.0001, 0.00025, 0.001, 0.0025, 0.01, 0.025, 0.05, 0.1, 0.25, 1, 5, 30},
		}),
		passed: prometheus.NewGauge(prometheus.GaugeOpts{Name: "hoistward_loop_last_lag_seconds", Help: "The lag of the newest message."}),
	}
	m.registry.MustRegister(m.samples, m.frames, m.lag, m.passed, stationCollector{st})
	return m
}

// handled is told of each message: how long it waited, and what it took.
func (m *metrics) handled(waited time.Duration) {
	m.lag.Observe(waited.Seconds())
	m.passed.Set(waited.Seconds())
}

func (m *metrics) handler(log *zap.Logger) http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{
		ErrorLog: zap.NewStdLog(log), MaxRequestsInFlight: 2, Timeout: 5 * time.Second,
	})
}

// stationCollector reads the station's own counts when it is asked.
type stationCollector struct{ st *station }

type desc = *prometheus.Desc

func newDesc(name, help string, labels ...string) desc {
	return prometheus.NewDesc("hoistward_"+name, help, labels, nil)
}

var (
	descBuild     = newDesc("build_info", "1, with the version of the monitor.", "version")
	descRigs      = newDesc("rigs", "Rigs that are watched.")
	descRejects   = newDesc("rejects_total", "Messages, or parts of them, that were not used as they came.", "source", "reason")
	descStrangers = newDesc("rigs_without_file", "Rigs that send and have no rig file, 100 at most.")

	descOpen     = newDesc("source_open", "1 while messages of the source can come.", "source")
	descState    = newDesc("source_state", "1 for the state that the source is in.", "source", "state")
	descSince    = newDesc("source_state_since_seconds", "When the source came into its state, in seconds since 1970.", "source")
	descReceived = newDesc("source_messages_total", "Messages that the source brought.", "source")
	descDropped  = newDesc("source_dropped_total", "Oldest messages discarded because the loop was behind.", "source")
	descQueue    = newDesc("source_queue_length", "Messages that wait for the loop.", "source")
	descOffset   = newDesc("source_clock_offset_seconds", "How far the source's clock is ahead of the monitor's, median of its newest stamps.", "source")

	descWritten  = newDesc("recorder_written_total", "Rows written into recordings.")
	descLost     = newDesc("recorder_dropped_total", "Entries that could not be kept.")
	descMissed   = newDesc("recorder_missed_total", "Journal lines and rejects that could not be kept in the recording.")
	descRefused  = newDesc("recorder_refused_total", "Entries that the recorder would not take.")
	descRecQueue = newDesc("recorder_queue_length", "Entries that wait for the disk.")
	descFailing  = newDesc("recorder_failing_rigs", "Rigs whose recording cannot be written now.")
	descLowSpace = newDesc("recorder_low_space", "1 while the disk is nearly full.")
	descHeld     = newDesc("journal_held_lines", "Journal lines that wait for the disk.")
	descLostLine = newDesc("journal_lost_total", "Journal lines that were lost.")

	descForwarded = newDesc("historian_sent_total", "Points that the historian has confirmed, repeats included.")
	descPutAside  = newDesc("historian_refused_total", "Points or fields that the historian refused, put aside.")
	descRequests  = newDesc("historian_requests_total", "Requests to the historian.")
	descBehind    = newDesc("historian_behind_seconds", "Age of the oldest entry that the historian does not have.")
	descUnsent    = newDesc("historian_deleted_unsent_total", "Readings and ticks deleted for want of space before the historian had them.")
	descWaiting   = newDesc("historian_waiting", "1 while the historian does not take what is sent.")

	descCertificate = newDesc("certificate_end_seconds", "When the first certificate of a file that the site names ends, in seconds since 1970.", "of", "kind")

	descPages   = newDesc("pages", "Pages that are open.")
	descServed  = newDesc("pages_served_total", "Pages that were opened.")
	descSlow    = newDesc("pages_dropped_total", "Pages dropped because they did not read.")
	descTurned  = newDesc("pages_refused_total", "Pages refused because too many were open.")
	descNotReal = newDesc("page_numbers_not_finite_total", "Numbers shown as not known because they were not finite.")
)

var descs = []desc{
	descBuild, descRigs, descRejects, descStrangers, descOpen, descState, descSince, descReceived, descDropped, descQueue, descOffset,
	descWritten, descLost, descMissed, descRefused, descRecQueue, descFailing, descLowSpace, descHeld, descLostLine,
	descForwarded, descPutAside, descRequests, descUnsent, descBehind, descWaiting,
	descCertificate, descPages, descServed, descSlow, descTurned, descNotReal,
}

// linkStates are the states of all kinds of sources.
var linkStates = []string{"never connected", "connected", "subscribed", "receiving", "refused", "quiet", "lost", "closed"}

func (stationCollector) Describe(out chan<- *prometheus.Desc) {
	for _, d := range descs {
		out <- d
	}
}

func (c stationCollector) Collect(out chan<- prometheus.Metric) {
	gauge := func(d desc, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	count := func(d desc, n uint64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(n), labels...)
	}
	st := c.st
	gauge(descBuild, 1, version)
	gauge(descRigs, float64(len(st.site.Rigs)))
	for _, r := range st.counters.Snapshot() {
		count(descRejects, r.N, r.Source, r.Words)
	}
	gauge(descStrangers, float64(len(st.counters.Strangers())))
	for i := range st.sources {
		c.source(&st.sources[i], gauge, count)
	}
	r := st.recorder.Status()
	count(descWritten, r.Written)
	count(descLost, r.Dropped)
	count(descMissed, r.Missed)
	count(descRefused, r.Refused)
	gauge(descRecQueue, float64(r.Queued))
	gauge(descFailing, float64(len(r.Failing)))
	gauge(descLowSpace, oneIf(r.LowSpace))
	j := st.journal.Health()
	gauge(descHeld, float64(j.Held))
	count(descLostLine, j.Lost)
	if st.forward != nil {
		f := st.forward.Status()
		count(descForwarded, f.Sent)
		count(descPutAside, f.Refused)
		count(descRequests, f.Requests)
		count(descUnsent, st.unsent.Load())
		gauge(descBehind, f.Behind.Seconds())
		gauge(descWaiting, oneIf(!f.RetryAt.IsZero()))
	}
	st.certs.each(time.Now(), func(f certFile, ends time.Time) { gauge(descCertificate, float64(ends.Unix()), f.name, f.kind) })
	p := st.page.Figures()
	gauge(descPages, float64(p.Pages))
	count(descServed, p.Served)
	count(descSlow, p.Slow)
	count(descTurned, p.Refused)
	count(descNotReal, p.NotFinite)
}

func (c stationCollector) source(s *source, gauge func(desc, float64, ...string), count func(desc, uint64, ...string)) {
	status, n := s.feed.Status(), s.feed.Stats()
	gauge(descOpen, oneIf(status.Open), s.name)
	for _, state := range linkStates {
		gauge(descState, oneIf(state == status.State), s.name, state)
	}
	gauge(descSince, float64(status.Since.UnixMilli())/1e3, s.name)
	count(descReceived, n.Received, s.name)
	count(descDropped, n.Dropped, s.name)
	gauge(descQueue, float64(n.Waiting), s.name)
	if o, ok := s.offsets.Now(); ok {
		gauge(descOffset, o.Median.Seconds(), s.name)
	}
}

func oneIf(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
