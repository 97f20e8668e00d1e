package metrics

import (
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// Run is one run of a command. A nil Run measures nothing: all methods may be called.
type Run struct {
	file       string
	command    string
	repository string
	name, host string // of the service, where it is about one
	began      time.Time
	now        func() time.Time
	registry   *prometheus.Registry
	gauges     map[string]*prometheus.GaugeVec
}

// Begin begins a run that tells into file what it came to. Nothing is written yet, but a file that
// could not be written is refused.
func Begin(file, command, repository string, now func() time.Time) (*Run, error) {
	if err := checkPlace(file); err != nil {
		return nil, err
	}
	return &Run{
		file: file, command: command, repository: label(repository), began: now(), now: now,
		registry: prometheus.NewRegistry(), gauges: make(map[string]*prometheus.GaugeVec),
	}, nil
}

// About says which service the run is about.
func (r *Run) About(name, host string) {
	if r != nil {
		r.name, r.host = label(name), label(host)
	}
}

// Set sets a gauge of the command: kist_COMMAND_NAME, with pairs of labels besides those that
// every one has. Equal names have equal labels. The name ends in its unit, if it has one.
func (r *Run) Set(name, help string, value float64, pairs ...string) {
	if r != nil {
		r.set("kist_"+r.command+"_"+name, help, value, append(r.own(), pairs...))
	}
}

// own are the labels of all that a run tells: those of the service only where it is about one.
func (r *Run) own() []string {
	pairs := []string{"repository", r.repository}
	if r.command == ofServices {
		pairs = append(pairs, "name", r.name, "host", r.host)
	}
	return pairs
}

// ofServices is the command whose runs are about one service each.
const ofServices = "capture"

func (r *Run) set(name, help string, value float64, pairs []string) {
	labels := prometheus.Labels{}
	var names []string
	for i := 0; i < len(pairs); i += 2 {
		names = append(names, pairs[i])
		labels[pairs[i]] = label(pairs[i+1])
	}
	if r.gauges[name] == nil {
		r.gauges[name] = prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: name, Help: help}, names)
		r.registry.MustRegister(r.gauges[name])
	}
	r.gauges[name].With(labels).Set(value)
}

// Seconds gives a time as seconds since 1970, the base unit of times (Prometheus, "Metric and label
// naming", from memory).
func Seconds(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }

// label makes a value fit for a label, which must be UTF-8. What else is special in it the library escapes.
func label(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }

// Names of what every run tells.
const (
	lastRun      = "kist_last_run_timestamp_seconds"
	lastDuration = "kist_last_run_duration_seconds"
	lastOutcome  = "kist_last_run_success"
	lastSuccess  = "kist_last_success_timestamp_seconds"
)

// End writes what the run came to. Of a run that failed the time of the last success stays, and what
// that measured and this one did not. A nil Run writes nothing.
func (r *Run) End(success bool) error {
	if r == nil {
		return nil
	}
	now, pairs := r.now(), []string{"command", r.command, "repository", r.repository, "name", r.name, "host", r.host}
	outcome := 0.0
	if success {
		outcome = 1
		r.set(lastSuccess, "When the command last ended with exit status 0.", Seconds(now), pairs)
	}
	r.set(lastRun, "When the command last ended, however it did.", Seconds(now), pairs)
	r.set(lastDuration, "How long the last run of the command took.", max(now.Sub(r.began), 0).Seconds(), pairs)
	r.set(lastOutcome, "Whether the last run of the command ended with exit status 0.", outcome, pairs)
	told, err := r.registry.Gather()
	if err != nil {
		return err
	}
	return r.write(told, success)
}
