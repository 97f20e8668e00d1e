package volume_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/volume"
)

// largeMembers has large files of one folder and of several, with holes and
// small files between them, and one name twice.
func largeMembers() []member {
	content := func(c string, n int) string {
		return strings.Repeat(c, n) + strings.Repeat("\x00", n) + c + strings.Repeat("\x00", n)
	}
	return []member{
		dir("a"), file("a/one", content("1", 900_000)), file("a/small", "s"), file("a/two", content("2", 700_000)),
		dir("b"), file("b/three", content("3", 300_001)), file("a/one", content("4", 200_000)), file("b/four", content("5", 65_536)),
	}
}

func TestExtractLarge(t *testing.T) {
	members := largeMembers()
	for _, zeros := range []bool{false, true} {
		target := filepath.Join(t.TempDir(), "target")
		r, err := volume.Extract(context.Background(), bytes.NewReader(stream(t, members...)), target, volume.ExtractOptions{WriteZeros: zeros})
		must(t, err)
		last := make(map[string]string)
		for _, m := range members {
			last[m.Name] = m.content
		}
		for name, want := range last {
			if !strings.HasSuffix(name, "/") {
				got, err := os.ReadFile(filepath.Join(target, name))
				if err != nil || string(got) != want {
					t.Errorf("%s: %d bytes of %d, %v", name, len(got), len(want), err)
				}
			}
		}
		if r.Members != len(members) {
			t.Errorf("%d members", r.Members)
		}
	}
}

// TestExtractLargeCut cuts the stream within a large file: it is named, and does
// not stay.
func TestExtractLargeCut(t *testing.T) {
	s := stream(t, largeMembers()...)
	broken := errors.New("the share is gone")
	for _, at := range []int{1 << 20, 2 << 20} {
		for what, test := range map[string]struct {
			in   io.Reader
			want error
		}{
			"cut":    {bytes.NewReader(s[:at]), io.ErrUnexpectedEOF},
			"failed": {&failingReader{bytes.NewReader(s[:at]), broken}, broken},
		} {
			target := filepath.Join(t.TempDir(), "target")
			_, err := volume.Extract(context.Background(), test.in, target, volume.ExtractOptions{})
			if !errors.Is(err, test.want) || strings.Count(err.Error(), `"a/one"`) != 1 {
				t.Errorf("%s at %d: %v", what, at, err)
			}
			if _, err := os.Lstat(filepath.Join(target, "a", "one")); !errors.Is(err, os.ErrNotExist) {
				t.Errorf("%s at %d: half a file stays: %v", what, at, err)
			}
		}
	}
}
