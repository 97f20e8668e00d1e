package demo

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store/volume"
)

// fake runs the program's commands in memory.
type fake struct {
	t        *testing.T
	fails    string // a command
	spoils   int    // the restored capture of that number
	captured []*bytes.Buffer
	restored int
}

func (f *fake) run(ctx context.Context, args []string, stdout io.Writer, env map[string]string) int {
	if env["KIST_REPOSITORY"] == "" || env["KIST_KEY_FILE"] == "" || env["KIST_STATE"] == "" {
		f.t.Errorf("%q would work elsewhere: %v", args, env)
	}
	var err error
	switch args[0] {
	case f.fails:
		return 3
	case "setup":
		err = os.Mkdir(env["KIST_REPOSITORY"], 0o700)
	case "capture":
		stream := &bytes.Buffer{}
		_, err = volume.WriteTar(ctx, stream, args[len(args)-1], volume.ReadOptions{})
		fmt.Fprintf(stdout, "capture-%d\n", len(f.captured))
		f.captured = append(f.captured, stream)
	case "restore":
		err = f.restore(ctx, args[1], args[slices.Index(args, "--into")+1])
	}
	if err != nil {
		f.t.Error(args, err)
		return 1
	}
	return 0
}

func (f *fake) restore(ctx context.Context, id, dir string) error {
	f.restored++
	n := len(f.captured) - 1
	if id != "seedbank@latest" {
		if _, err := fmt.Sscanf(id, "capture-%d", &n); err != nil {
			return err
		}
	}
	_, err := volume.Extract(ctx, bytes.NewReader(f.captured[n].Bytes()), dir, volume.ExtractOptions{})
	if err != nil || n != f.spoils {
		return err
	}
	path := filepath.Join(dir, "config", "seedbank.toml")
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if err := os.WriteFile(path, bytes.Repeat([]byte("x"), int(info.Size())), 0o600); err != nil {
		return err
	}
	return os.Chtimes(path, info.ModTime(), info.ModTime())
}

// TestShow: a demo that goes well says nothing else; it notices each restore that does not
// bring back what there was, and ends where a command fails.
func TestShow(t *testing.T) {
	const none = -1
	for _, test := range []struct {
		fake     fake
		want     string
		restored int
	}{
		{fake{spoils: none, fails: "verify"}, "kist verify ended with status 3", 0},
		{fake{spoils: 1}, ErrDiffers.Error(), 1},
		{fake{spoils: 2}, ErrDiffers.Error(), 2},
		{fake{spoils: none}, "", 2},
	} {
		if testing.Short() && test.restored == 2 {
			continue // the sample is large
		}
		f := test.fake
		f.t = t
		err := Show(t.Context(), Options{Screen: screen.New(io.Discard, io.Discard), Dir: t.TempDir(), Run: f.run})
		if test.want == "" && err != nil || test.want != "" && (err == nil || !strings.Contains(err.Error(), test.want)) {
			t.Errorf("%v, not %q", err, test.want)
		}
		if errors.Is(err, ErrDiffers) != (test.want == ErrDiffers.Error()) || f.restored != test.restored {
			t.Errorf("%v after %d restores, not %q after %d", err, f.restored, test.want, test.restored)
		}
	}
}

// TestCommandLine: a long command line is broken where a shell takes it, and a shell puts it together again.
func TestCommandLine(t *testing.T) {
	words := []string{"kist", "capture", "--note", "'seedbank --config config/seedbank.toml'", "--taken", "'2026-01-17 02:03'", strings.Repeat("a", 100), "b"}
	line := commandLine(words)
	if got := strings.ReplaceAll(line, " \\\n    ", " "); got != strings.Join(words, " ") {
		t.Errorf("%q", got)
	}
	lines := strings.Split("$ "+line, "\n")
	for _, one := range lines {
		if len(one) > Columns && !strings.Contains(one, words[6]) {
			t.Errorf("%d: %s", len(one), one)
		}
	}
	if len(lines) != 4 || commandLine(words[:2]) != "kist capture" {
		t.Errorf("%q", lines)
	}
}
