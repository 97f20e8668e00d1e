package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

func TestVolumeIsTheSameEachTime(t *testing.T) {
	var one, two, larger bytes.Buffer
	for w, size := range map[*bytes.Buffer]int64{&one: 3 << 20, &two: 3 << 20, &larger: 4 << 20} {
		if err := writeVolume(w, size); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(one.Bytes(), two.Bytes()) {
		t.Error("two volumes of one size differ")
	}
	if n := one.Len(); n < 3<<20*95/100 || n > 3<<20*110/100 {
		t.Errorf("%d bytes where about %d were asked for", n, 3<<20)
	}
	if larger.Len() <= one.Len() {
		t.Error("a larger volume is not larger")
	}
}

// zipOf gives a zip file with the given files in that order.
func zipOf(t *testing.T, files ...string) *zip.Reader {
	t.Helper()
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	for _, name := range files {
		f, err := w.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(f, "content of "+name); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := zip.NewReader(bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestZipToTar(t *testing.T) {
	date := time.Date(2025, 5, 4, 3, 2, 1, 0, time.UTC)
	var one, two bytes.Buffer
	if err := zipToTar(&one, zipOf(t, "m@v1/b/c/x.go", "m@v1/go.mod", "m@v1/b/a.go"), "m@v1/", date); err != nil {
		t.Fatal(err)
	}
	if err := zipToTar(&two, zipOf(t, "m@v1/go.mod", "m@v1/b/a.go", "m@v1/b/c/x.go"), "m@v1/", date); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(one.Bytes(), two.Bytes()) {
		t.Error("the stream depends on the order in the zip file")
	}
	want := []string{"./", "./b/", "./b/a.go", "./b/c/", "./b/c/x.go", "./go.mod"}
	if got := names(t, &one, date); !slices.Equal(got, want) {
		t.Errorf("members %q, want %q", got, want)
	}
	if got := contents(t, &two); len(got) != 3 {
		t.Errorf("%d files", len(got))
	}
}

// names gives the names of members, all of which must be of that time.
func names(t *testing.T, r io.Reader, date time.Time) (all []string) {
	t.Helper()
	for in := tar.NewReader(r); ; {
		h, err := in.Next()
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		if !h.ModTime.Equal(date) {
			t.Errorf("%s is of %v", h.Name, h.ModTime)
		}
		all = append(all, h.Name)
	}
}

func TestZipToTarRefuses(t *testing.T) {
	for _, name := range []string{"other@v1/a.go", "m@v1/../a.go", "m@v1//a.go"} {
		if err := zipToTar(io.Discard, zipOf(t, name), "m@v1/", time.Now()); err == nil {
			t.Errorf("%s was accepted", name)
		}
	}
}

func TestMergeReleases(t *testing.T) {
	date := time.Date(2025, 5, 4, 3, 2, 1, 0, time.UTC)
	times := []release{{Path: "m", Version: "v1.10.0", Time: date}, {Path: "m", Version: "v1.9.0", Time: date}}
	zips := []release{{Path: "m", Version: "v1.10.0", Zip: "10"}, {Path: "m", Version: "v1.9.0", Zip: "9"}}
	got, err := mergeReleases([]string{"v1.9.0", "v1.10.0"}, times, zips)
	if err != nil || len(got) != 2 || got[0].Zip != "9" || got[1].Zip != "10" || got[0].Time != date {
		t.Errorf("got %+v, %v", got, err)
	}
	if _, err := mergeReleases([]string{"v1.9.0"}, times, zips[:1]); err == nil {
		t.Error("a missing file was accepted")
	}
	if _, err := mergeReleases([]string{"v1.9.0"}, times[:1], zips); err == nil {
		t.Error("a missing time was accepted")
	}
}

func TestRetime(t *testing.T) {
	var original bytes.Buffer
	if err := writeVolume(&original, 1<<20); err != nil {
		t.Fatal(err)
	}
	for name, make := range map[string]func() touches{"one": oneTime, "each": func() touches { return eachItsTime(touchDate()) }} {
		t.Run(name, func(t *testing.T) {
			var one, two bytes.Buffer
			for _, w := range []*bytes.Buffer{&one, &two} {
				if err := retime(w, bytes.NewReader(original.Bytes()), make()); err != nil {
					t.Fatal(err)
				}
			}
			if !bytes.Equal(one.Bytes(), two.Bytes()) {
				t.Error("two copies differ")
			}
			times := membersTimes(t, bytes.NewReader(one.Bytes()))
			distinct := len(slices.Compact(slices.SortedFunc(slices.Values(times), time.Time.Compare)))
			if name == "one" && distinct != 1 || name == "each" && distinct != len(times) {
				t.Errorf("%d times among %d members", distinct, len(times))
			}
			if !equal(contents(t, &one), contents(t, bytes.NewReader(original.Bytes()))) {
				t.Error("contents or names have changed")
			}
		})
	}
}

func membersTimes(t *testing.T, r io.Reader) (all []time.Time) {
	t.Helper()
	for in := tar.NewReader(r); ; {
		h, err := in.Next()
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, h.ModTime)
	}
}

func TestSettings(t *testing.T) {
	make := func(state int, size int64) string {
		var b bytes.Buffer
		if err := writeSettings(feed{&b, newRand("settings"), state, size}); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	const size = 200 << 10
	first := make(1, size)
	if first != make(1, size) {
		t.Error("two first states differ")
	}
	if n := strings.Count(first, "accession:"); n != 200 {
		t.Errorf("%d keys at first", n)
	}
	third := make(3, size)
	if n := strings.Count(third, "accession:"); n != 200/50+200/100 {
		t.Errorf("%d keys in the third state", n)
	}
	for _, k := range []int{200 + 4, 200 + 7} { // those that the third adds
		if !strings.Contains(third, fmt.Sprintf("accession:%d\r\n", k)) {
			t.Errorf("key %d is missing", k)
		}
	}
	if !strings.HasSuffix(third, "$5\r\nstate\r\n$1\r\n3\r\n") {
		t.Errorf("ends with %q", third[len(third)-40:])
	}
}

// TestEmbeddedProves has a database prove its state, and fail to prove another.
func TestEmbeddedProves(t *testing.T) {
	needs(t, commands.embedded)
	e, err := newEmbedded(filepath.Join(t.TempDir(), "d"), 100<<10)
	if err != nil {
		t.Fatal(err)
	}
	for state := 1; state <= 2; state++ {
		if err := e.change(t.Context(), state); err != nil {
			t.Fatal(err)
		}
		logs, err := filepath.Glob(filepath.Join(e.dir, databaseName+"-wal"))
		if err != nil || len(logs) != 1-state%2 {
			t.Errorf("state %d: write-ahead logs %v, %v", state, logs, err)
		}
	}
	if err := e.prove(t.Context(), e.dir, 2); err != nil {
		t.Error(err)
	}
	if err := e.prove(t.Context(), e.dir, 3); err == nil {
		t.Error("it proved a state that it is not in")
	}
}

func TestPipeline(t *testing.T) {
	needs(t, "cat", "false")
	var b bytes.Buffer
	_, err := runPipeline(t.Context(),
		command{args: []string{"cat"}, in: strings.NewReader("bean")},
		command{args: []string{"cat"}, out: &b})
	if err != nil || b.String() != "bean" {
		t.Errorf("got %q, %v", b.String(), err)
	}
	for name, commands := range map[string][]command{
		"the first fails":      {{args: []string{"false"}}, {args: []string{"cat"}}},
		"the last fails":       {{args: []string{"cat"}}, {args: []string{"false"}}},
		"the first is missing": {{args: []string{"/nonsense"}}, {args: []string{"cat"}}},
		"the last is missing":  {{args: []string{"cat"}}, {args: []string{"/nonsense"}}},
	} {
		if _, err := runPipeline(t.Context(), commands...); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := runCommand(ctx, command{args: []string{"cat"}}); err == nil {
		t.Error("it ran with a context that had ended")
	}
}
