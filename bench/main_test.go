package main

import (
	"archive/tar"
	"bytes"
	"crypto/sha256"
	"io"
	"maps"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"strings"
	"testing"
)

// TestMain is the program where a measurement starts a child of its own.
func TestMain(m *testing.M) {
	// Else every child takes a second longer under the race detector.
	os.Setenv("GORACE", "atexit_sleep_ms=10")
	if len(os.Args) > 1 && os.Args[1] == childCommand {
		main()
	}
	os.Exit(m.Run())
}

// needs skips a test where a program of others is missing.
func needs(t *testing.T, programs ...string) {
	t.Helper()
	for _, p := range programs {
		if _, err := exec.LookPath(p); err != nil {
			if os.Getenv("KIST_TEST_REQUIRE") == "all" {
				t.Fatal(err)
			}
			t.Skip(err)
		}
	}
}

func newRepository(t *testing.T, dir string) {
	t.Helper()
	r, err := createRepository(t.Context(), dir, "")
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
}

// volumeFile gives a tarball of writeVolume.
func volumeFile(t *testing.T, size int64) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "volume.tar")
	if err := writeFile(file, func(w io.Writer) error { return writeVolume(w, size) }); err != nil {
		t.Fatal(err)
	}
	return file
}

// contents gives the digests of the files in a tar stream, but for folders.
func contents(t *testing.T, r io.Reader) map[string][32]byte {
	t.Helper()
	all := make(map[string][32]byte)
	for in := tar.NewReader(r); ; {
		h, err := in.Next()
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		if h.Typeflag == tar.TypeReg {
			all[path.Clean(h.Name)] = sha256.Sum256(b)
		}
	}
}

func equal(a, b map[string][32]byte) bool { return maps.Equal(a, b) }

// bench runs the program and gives its status, output and log.
func bench(t *testing.T, args ...string) (int, string, string) {
	t.Helper()
	var out, log bytes.Buffer
	status := run(t.Context(), args, &out, &log)
	return status, out.String(), log.String()
}

func TestUsage(t *testing.T) {
	for _, c := range []struct {
		args   string
		status int
		out    string // in the output
		log    string // in the log
	}{
		{"", 2, "", "go run ./bench releases"},
		{"help", 0, "go run ./bench releases", ""},
		{"nonsense", 2, "", `no measurement named "nonsense"`},
		{"speed -h", 0, "", "-runs"},
		{"speed -nonsense", 2, "", "-nonsense"},
		{"speed more", 2, "", `"more" is no option`},
		{"speed -runs 0", 2, "", "at least 1"},
		{"speed -size 0", 2, "", "more than 0"},
		{"speed -input /nonsense.tar", 1, "", "/nonsense.tar"},
		{"releases -count 0", 2, "", "at least 1"},
		{"database -server nonsense", 2, "", "keyvalue or keyvalue-dump or relational"},
		{"database -dir /nonsense", 1, "", "/nonsense"},
		{"child", 2, "", ""},
	} {
		t.Run(c.args, func(t *testing.T) {
			status, out, log := bench(t, strings.Fields(c.args)...)
			if status != c.status || !strings.Contains(out, c.out) || !strings.Contains(log, c.log) {
				t.Errorf("status %d, output %q, log %q", status, out, log)
			}
		})
	}
}

// measured runs a measurement in a folder and tells whether it left that empty.
func measured(t *testing.T, args ...string) string {
	t.Helper()
	dir := t.TempDir()
	status, out, log := bench(t, append(args, "-dir", dir)...)
	if status != 0 {
		t.Fatalf("status %d: %s", status, log)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	return out
}

func TestMeasureTouched(t *testing.T) {
	out := measured(t, "touched", "-input", volumeFile(t, 2<<20))
	for _, want := range []string{"one new time for all", "a time of its own for each", "unchanged"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
}

func TestMeasureDatabase(t *testing.T) {
	needs(t, commands.embedded, "tar", "zstd")
	out := measured(t, "database", "-size", "200KiB", "-captures", "3")
	if !strings.Contains(out, "state 3") {
		t.Errorf("the third state is not in\n%s", out)
	}
}

func TestMeasureSpeed(t *testing.T) {
	needs(t, "tar", "zstd")
	if os.Geteuid() != 0 {
		t.Skip("the input's owners can be restored by root only")
	}
	for _, more := range [][]string{nil, {"-null", "-runs", "2"}} {
		json := filepath.Join(t.TempDir(), "speed.json")
		profiles := t.TempDir()
		args := append([]string{"speed", "-size", "1MiB", "-runs", "1", "-json", json, "-cpuprofile", profiles}, more...)
		out := measured(t, args...)
		for _, want := range []string{"first capture", "restore, into a folder"} {
			if !strings.Contains(out, want) {
				t.Errorf("%q is not in\n%s", want, out)
			}
		}
		files := []string{json}
		for _, name := range []string{"first", "unchanged", "stream", "folder"} {
			files = append(files, filepath.Join(profiles, name+".prof"))
		}
		for _, file := range files {
			if info, err := os.Stat(file); err != nil || info.Size() == 0 {
				t.Errorf("%s: %v", file, err)
			}
		}
	}
}
