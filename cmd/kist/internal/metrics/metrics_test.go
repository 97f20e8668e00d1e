package metrics

import (
	"bytes"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
)

var noon = time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)

func at(t time.Time) func() time.Time { return func() time.Time { return t } }

func begin(t *testing.T, file, command string, when time.Time) *Run {
	t.Helper()
	r, err := Begin(file, command, "/mnt/share/kist", at(when))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func end(t *testing.T, r *Run, success bool) {
	t.Helper()
	if err := r.End(success); err != nil {
		t.Fatal(err)
	}
}

// values reads the file with the library's own parser: each series, as "name{label=value,…}".
func values(t *testing.T, file string) map[string]float64 {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	parser := expfmt.NewTextParser(model.LegacyValidation)
	page, err := parser.TextToMetricFamilies(bytes.NewReader(b))
	if err != nil {
		t.Fatalf("%v\n%s", err, b)
	}
	all := make(map[string]float64)
	for name, family := range page {
		for _, m := range family.Metric {
			var pairs []string
			for _, l := range m.Label {
				if l.GetValue() != "" && l.GetName() != "repository" {
					pairs = append(pairs, l.GetName()+"="+l.GetValue())
				}
			}
			slices.Sort(pairs)
			all[name+"{"+strings.Join(pairs, ",")+"}"] = m.GetGauge().GetValue()
		}
	}
	return all
}

func want(t *testing.T, got, want map[string]float64) {
	t.Helper()
	for name, value := range want {
		if is, ok := got[name]; !ok || is != value {
			t.Errorf("%s: %v (there: %t), want %v", name, is, ok, value)
		}
	}
	if t.Failed() {
		t.Logf("all: %v", got)
	}
}

// TestRuns: in one file each command, and each service's capture, tells its own, and a failure keeps what is
// known of the last success.
func TestRuns(t *testing.T) {
	file := filepath.Join(t.TempDir(), "kist.prom")
	for i, name := range []string{"seedbank", "mill"} {
		r := begin(t, file, "capture", noon)
		r.About(name, "hazel")
		r.Set("size_bytes", "help", float64(100+i))
		end(t, r, true)
	}
	r := begin(t, file, "verify", noon)
	r.Set("damaged_objects", "help", 0)
	end(t, r, true)
	later := noon.Add(time.Hour)
	r = begin(t, file, "capture", later)
	r.About("seedbank", "hazel")
	end(t, r, false)
	hour := Seconds(noon)
	want(t, values(t, file), map[string]float64{
		"kist_capture_size_bytes{host=hazel,name=seedbank}":                             100,
		"kist_capture_size_bytes{host=hazel,name=mill}":                                 101,
		"kist_verify_damaged_objects{}":                                                 0,
		"kist_last_run_success{command=capture,host=hazel,name=seedbank}":               0,
		"kist_last_run_success{command=capture,host=hazel,name=mill}":                   1,
		"kist_last_run_success{command=verify}":                                         1,
		"kist_last_run_timestamp_seconds{command=capture,host=hazel,name=seedbank}":     hour + 3600,
		"kist_last_success_timestamp_seconds{command=capture,host=hazel,name=seedbank}": hour,
		"kist_last_success_timestamp_seconds{command=verify}":                           hour,
		"kist_last_run_duration_seconds{command=capture,host=hazel,name=seedbank}":      0,
	})

	// A success leaves nothing of before that it does not tell itself.
	r = begin(t, file, "verify", later)
	end(t, r, true)
	if got := values(t, file); len(got) == 0 || hasPrefix(got, "kist_verify_") || !hasPrefix(got, "kist_capture_") {
		t.Errorf("%v", got)
	}
}

func hasPrefix(all map[string]float64, prefix string) bool {
	for name := range all {
		if strings.HasPrefix(name, prefix) {
			return true
		}
	}
	return false
}

// TestUnknownService: a capture that failed before its name was known is told until one succeeds.
func TestUnknownService(t *testing.T) {
	file := filepath.Join(t.TempDir(), "kist.prom")
	end(t, begin(t, file, "capture", noon), false)
	want(t, values(t, file), map[string]float64{"kist_last_run_success{command=capture}": 0})
	r := begin(t, file, "capture", noon)
	r.About("seedbank", "hazel")
	end(t, r, true)
	if _, there := values(t, file)["kist_last_run_success{command=capture}"]; there {
		t.Error("it is told still")
	}
}

// TestOtherRepository: two repositories in one file do not disturb each other.
func TestOtherRepository(t *testing.T) {
	file := filepath.Join(t.TempDir(), "kist.prom")
	for _, repository := range []string{"/mnt/a", "/mnt/b"} {
		r, err := Begin(file, "verify", repository, at(noon))
		if err != nil {
			t.Fatal(err)
		}
		end(t, r, true)
	}
	b, _ := os.ReadFile(file)
	if n := strings.Count(string(b), "\nkist_last_run_success{"); n != 2 {
		t.Errorf("%d series:\n%s", n, b)
	}
}

// TestHostileLabels: whatever a service is called, it comes back as it is (Prometheus' own parser), or as
// replacement characters where it is no UTF-8.
func TestHostileLabels(t *testing.T) {
	for _, name := range []string{`a"} 1`, "a\nkist_status_well 1", `\`, `\n`, "{}", "\xff", "\u202e", strings.Repeat("x", 5000), "ü"} {
		file := filepath.Join(t.TempDir(), "kist.prom")
		for range 2 { // also where it is read and written again
			r := begin(t, file, "capture", noon)
			r.About(name, "hazel")
			end(t, r, true)
		}
		got := values(t, file)
		if value := got["kist_last_run_success{command=capture,host=hazel,name="+strings.ToValidUTF8(name, "\uFFFD")+"}"]; value != 1 || len(got) != 4 {
			t.Errorf("%q: %v", name, got)
		}
	}
}

// TestForeign: what others tell in the file stays, and a file of something else is left alone.
func TestForeign(t *testing.T) {
	file := filepath.Join(t.TempDir(), "kist.prom")
	const others = "# HELP seeds_total Seeds given out.\n# TYPE seeds_total counter\nseeds_total{kind=\"bean\"} 7\n"
	if err := os.WriteFile(file, []byte(others), 0o600); err != nil {
		t.Fatal(err)
	}
	end(t, begin(t, file, "verify", noon), true)
	b, err := os.ReadFile(file)
	if err != nil || !strings.Contains(string(b), others) || !strings.Contains(string(b), "kist_last_run_success") {
		t.Errorf("%s, %v", b, err)
	}
	if info, err := os.Stat(file); err != nil || runtime.GOOS != "windows" && info.Mode().Perm() != 0o644 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	for _, content := range []string{"Phaseolus vulgaris, 12 seeds", "{\"json\": 1}"} {
		if err := os.WriteFile(file, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := begin(t, file, "verify", noon).End(true); err == nil {
			t.Errorf("%q was written over", content)
		}
		if b, _ := os.ReadFile(file); string(b) != content {
			t.Errorf("%q became %q", content, b)
		}
	}
	entries, _ := os.ReadDir(filepath.Dir(file))
	if len(entries) != 1 {
		t.Errorf("left behind: %v", entries)
	}
}

func TestPlaces(t *testing.T) {
	dir := t.TempDir()
	for _, file := range []string{dir, filepath.Join(dir, "none", "kist.prom")} {
		if _, err := Begin(file, "verify", "", at(noon)); err == nil {
			t.Errorf("%s was taken", file)
		}
	}
}

// TestAtOnce: of runs that end at once none is lost.
func TestAtOnce(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("there are no locks")
	}
	file := filepath.Join(t.TempDir(), "kist.prom")
	var all sync.WaitGroup
	for i := range 8 {
		r := begin(t, file, "capture", noon)
		r.About(strings.Repeat("x", i+1), "hazel")
		all.Go(func() {
			if err := r.End(true); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	b, _ := os.ReadFile(file)
	if n := strings.Count(string(b), "\nkist_last_run_success{"); n != 8 {
		t.Errorf("%d of 8 are told", n)
	}
}

// TestLint holds the names against Prometheus' own linter (promlint, behind `promtool check metrics`).
func TestLint(t *testing.T) {
	file := filepath.Join(t.TempDir(), "kist.prom")
	end(t, begin(t, file, "verify", noon), true)
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if problems, err := promlint.New(bytes.NewReader(b)).Lint(); err != nil || len(problems) > 0 {
		t.Errorf("%v, %v", problems, err)
	}
}

// TestNil: without --metrics nothing is measured.
func TestNil(t *testing.T) {
	var r *Run
	r.About("seedbank", "hazel")
	r.Set("size_bytes", "help", 1)
	if err := r.End(true); err != nil {
		t.Error(err)
	}
}
