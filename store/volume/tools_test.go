package volume_test

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"testing"

	"github.com/kistarchive/kist/store/volume"
)

// missing skips the test, or fails it where the environment says that everything must run.
func missing(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("KIST_TEST_REQUIRE") == "all" {
		t.Fatalf("needs %s", what)
	}
	t.Skipf("needs %s", what)
}

func needTool(t testing.TB, name string) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		missing(t, name)
	}
}

func needRoot(t testing.TB) {
	t.Helper()
	if os.Geteuid() != 0 {
		missing(t, "root")
	}
}

// tool runs a reference tool and returns its standard output. Whatever it says on standard error
// fails the test, besides a non-zero status.
func tool(t testing.TB, stdin []byte, name string, args ...string) []byte {
	t.Helper()
	out, stderr := toolQuiet(t, stdin, name, args...)
	if stderr != "" {
		t.Errorf("%s said: %s", name, stderr)
	}
	return out
}

// toolQuiet is tool for those that warn about harmless things.
func toolQuiet(t testing.TB, stdin []byte, name string, args ...string) ([]byte, string) {
	t.Helper()
	needTool(t, name)
	cmd := exec.Command(name, args...)
	cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "TZ=UTC")
	cmd.Stdin = bytes.NewReader(stdin)
	var stdout, stderr bytes.Buffer
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s %q: %v\n%s%s", name, args, err, stdout.Bytes(), stderr.Bytes())
	}
	return stdout.Bytes(), stderr.String()
}

// readTree returns the stream of dir.
func readTree(t testing.TB, dir string) ([]byte, *volume.ReadReport) {
	t.Helper()
	var out bytes.Buffer
	report, err := volume.WriteTar(context.Background(), &out, dir, volume.ReadOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return out.Bytes(), report
}

// extractInto restores stream into a new folder and returns it.
func extractInto(t testing.TB, stream []byte, o volume.ExtractOptions) (string, *volume.ExtractReport) {
	t.Helper()
	dir := t.TempDir() + "/restored"
	report, err := volume.Extract(context.Background(), bytes.NewReader(stream), dir, o)
	if err != nil {
		t.Fatal(err)
	}
	return dir, report
}

func must(t testing.TB, errs ...error) {
	t.Helper()
	for _, err := range errs {
		if err != nil {
			t.Fatal(err)
		}
	}
}

// counter counts what is written to it.
type counter int64

func (c *counter) Write(p []byte) (int, error) {
	*c += counter(len(p))
	return len(p), nil
}

// first is the path of the only note.
func first(notes []volume.Note) string {
	if len(notes) != 1 {
		return ""
	}
	return notes[0].Path
}
