//go:build unix

package programs

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestLine runs in its folder, and says which command failed.
func TestLine(t *testing.T) {
	dir := t.TempDir()
	var said bytes.Buffer
	if err := (Line{Text: "echo out; echo err >&2; echo x >here", Folder: dir, Said: &said, Falls: true}).Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(dir, "here")); err != nil || said.String() != "out\nerr\n" {
		t.Errorf("%v, %q", err, &said)
	}
	if err := (Line{Text: "exit 3"}).Run(t.Context()); err == nil || !strings.Contains(err.Error(), `"exit 3": exit status 3`) {
		t.Error(err)
	}
}

// TestInterruptedLine ends all that the line started, which else would go on for a minute
// and hold the outputs open.
func TestInterruptedLine(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	begun := writerFunc(func(p []byte) (int, error) { cancel(); return len(p), nil })
	if err := (Line{Text: "echo begun; sleep 60; true", Said: begun}).Run(ctx); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

type writerFunc func([]byte) (int, error)

func (f writerFunc) Write(p []byte) (int, error) { return f(p) }

func TestFirstLine(t *testing.T) {
	for text, want := range map[string]string{
		"echo 4.1.0": "4.1.0", "echo; echo ' 4.1.0 '; echo more": "4.1.0", "printf 4.1.0": "4.1.0",
		"echo 4.1.0; head -c 1000000 /dev/zero": "4.1.0", "echo": "", "true": "", "echo 4.1.0; exit 1": "",
	} {
		got, err := Line{Text: text}.FirstLine(t.Context())
		if got != want || (err == nil) != (want != "") {
			t.Errorf("%q: %q, %v", text, got, err)
		}
	}
}

// TestOutput ends well only where the program does.
func TestOutput(t *testing.T) {
	for text, fails := range map[string]bool{"echo seeds": false, "echo seeds; exit 1": true, "echo seeds; kill -9 $$": true} {
		out := Output(t.Context(), []string{"sh", "-c", text}, io.Discard)
		got, err := io.ReadAll(out)
		if string(got) != "seeds\n" || (err != nil) != fails {
			t.Errorf("%q: %q, %v", text, got, err)
		}
		if err := out.Close(); err != nil {
			t.Error(err)
		}
	}
	if _, err := io.ReadAll(Output(t.Context(), []string{"no-such-program"}, io.Discard)); err == nil {
		t.Error("a program that is not there prints nothing, and that is no error")
	}
}

// TestOutputClosedEarly ends what would go on, and says nothing of secrets in arguments.
func TestOutputClosedEarly(t *testing.T) {
	out := Output(t.Context(), []string{"sh", "-c", "while :; do echo hush; done"}, io.Discard)
	if _, err := out.Read(make([]byte, 1)); err != nil {
		t.Fatal(err)
	}
	out.Close() // returns once the program has ended
	if _, err := out.Read(make([]byte, 1)); err == nil {
		t.Error("a read after Close")
	}
	if _, err := io.ReadAll(Output(t.Context(), []string{"sh", "-c", "exit 1 # hush"}, io.Discard)); err == nil || strings.Contains(err.Error(), "hush") {
		t.Error(err)
	}
}
