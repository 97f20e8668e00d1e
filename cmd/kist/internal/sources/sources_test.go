package sources

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
)

func TestVolumeNames(t *testing.T) {
	for in, want := range map[string]string{
		"/srv/seedbank": "seedbank", "/srv/seedbank/": "seedbank", "a/seedbank-4.1.0.tar.gz": "seedbank-4.1.0",
		"x.tar": "x", "x.tgz": "x", "x.tar.zst": "x", "x.tar.xz": "x", "x.sql.gz": "x.sql.gz", ".tar": ".tar",
		"/": "root", "/srv/b\xffd": "b_d", "/srv/..": "root",
	} {
		if got, err := Name(in); err != nil || got != want {
			t.Errorf("%q: %q, %v, not %q", in, got, err, want)
		}
	}
	taken := make(Names)
	for _, want := range []string{"data", "data-2", "data-3"} {
		if got := taken.Distinct("data"); got != want {
			t.Errorf("%q, not %q", got, want)
		}
	}
}

// TestFind: what each of the sources is, and what is refused.
func TestFind(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "beds.tar")
	if err := os.WriteFile(file, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	again := filepath.Join(t.TempDir(), "beds.tar")
	if err := os.WriteFile(again, []byte("y"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Find([]string{dir, file, "more=" + dir + "/."}, nil, false, Reading{}); err == nil {
		t.Error("one source named twice is no error")
	}
	stdin := strings.NewReader("")
	found, err := Find([]string{dir, file, "-", again}, stdin, false, Reading{Reread: true})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []struct {
		kind Kind
		name string
	}{{Folder, filepath.Base(dir)}, {File, "beds"}, {Stdin, "stdin"}, {File, "beds-2"}} {
		if s := found[i]; s.Kind != want.kind || s.Name != want.name {
			t.Errorf("source %d: %+v", i, s)
		}
		v := found[i].Input()
		if (v.Folder != nil) != (want.kind == Folder) || (v.Open == nil) != (want.kind == Folder) || (v.Source == "") != (want.kind == Stdin) {
			t.Errorf("source %d as a volume: %+v", i, v)
		}
		if v.Folder != nil && !v.Folder.Reread {
			t.Error("it is forgotten that every file is to be read")
		}
	}
	for _, wrong := range [][]string{{""}, {"-", "-"}} {
		if _, err := Find(wrong, stdin, false, Reading{}); !errors.As(err, new(*cmdline.UsageError)) {
			t.Errorf("%q: %v", wrong, err)
		}
	}
	if _, err := Find([]string{filepath.Join(dir, "none")}, stdin, false, Reading{}); !errors.As(err, new(*cmdline.MissingError)) {
		t.Errorf("a source that is not there: %v", err)
	}
}

// TestEmptyStream: it is refused unless it may be empty; a stream that nobody writes to ends
// with the context.
func TestEmptyStream(t *testing.T) {
	for _, mayBe := range []bool{false, true} {
		s := &Source{Kind: Stdin, Path: "-", Stdin: strings.NewReader(""), Empty: mayBe}
		stream, err := s.open(t.Context())
		if (err == nil) != mayBe {
			t.Errorf("may be empty: %t, and %v", mayBe, err)
		}
		if err == nil {
			stream.Close()
		}
	}
	silent, hand := io.Pipe()
	defer hand.Close()
	ctx, cancel := context.WithCancelCause(t.Context())
	interrupted := errors.New("interrupted")
	cancel(interrupted)
	s := &Source{Kind: Stdin, Path: "-", Stdin: silent}
	stream, err := s.open(ctx)
	if err == nil {
		_, err = io.ReadAll(stream)
	}
	if !errors.Is(err, interrupted) {
		t.Errorf("a silent stream: %v", err)
	}
}
