package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/kistarchive/kist/store/volume"
)

func TestComparer(t *testing.T) {
	original := strings.Repeat("bean", 5000)
	sum := sha256.Sum256([]byte(original))
	changed := []byte(original)
	changed[12345] ^= 1
	for _, c := range []struct {
		name, copy, sum string
		want            string // in the error; "" for none
	}{
		{"the same", original, hex.EncodeToString(sum[:]), ""},
		{"a flipped bit", string(changed), hex.EncodeToString(sum[:]), "at byte 12345"},
		{"cut short", original[:len(original)-1], hex.EncodeToString(sum[:]), "ends at byte 19999"},
		{"too long", original + "x", hex.EncodeToString(sum[:]), "at byte 20000"},
		{"nothing", "", hex.EncodeToString(sum[:]), "ends at byte 0"},
		{"another digest", original, strings.Repeat("0", 64), "SHA-256"},
		{"no digest", original, "", "SHA-256"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newComparer(strings.NewReader(original))
			_, err := io.CopyBuffer(struct{ io.Writer }{w}, struct{ io.Reader }{strings.NewReader(c.copy)}, make([]byte, 777))
			if err == nil {
				err = w.finish(c.sum)
			}
			if c.want == "" && err != nil || c.want != "" && (!errors.Is(err, errDiffers) || !strings.Contains(err.Error(), c.want)) {
				t.Errorf("got %v, want %q", err, c.want)
			}
		})
	}
}

func TestComparerReadsFail(t *testing.T) {
	broken := errors.New("broken")
	w := newComparer(iotest.ErrReader(broken))
	if _, err := w.Write([]byte("x")); !errors.Is(err, broken) {
		t.Errorf("writing gave %v", err)
	}
	if err := w.atEnd(); !errors.Is(err, broken) {
		t.Errorf("the end gave %v", err)
	}
}

// TestAddFile captures a tarball and compares; then it compares with another.
func TestAddFile(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	newRepository(t, dir)
	file := volumeFile(t, 1<<20)
	a, err := addFile(t.Context(), dir, "first", file, share{})
	if err != nil {
		t.Fatal(err)
	}
	if info, _ := os.Stat(file); a.TarBytes != info.Size() || a.Added <= 0 {
		t.Errorf("took %+v", a)
	}
	again, err := addFile(t.Context(), dir, "again", file, share{})
	if err != nil || again.Added > 16<<10 {
		t.Errorf("unchanged: took %+v: %v", again, err)
	}
	if err := verify(t.Context(), dir); err != nil {
		t.Error(err)
	}
	other := lastByteChanged(t, file)
	if err := compareCapture(t.Context(), dir, a.ID, other); !errors.Is(err, errDiffers) {
		t.Errorf("compared with another tarball: %v", err)
	}
	if err := compareFiles(file, other); !errors.Is(err, errDiffers) {
		t.Errorf("two tarballs compared: %v", err)
	}
	if err := compareFiles(file, file); err != nil {
		t.Errorf("a tarball with itself: %v", err)
	}
}

// lastByteChanged gives a copy of a file that differs in its last byte.
func lastByteChanged(t *testing.T, file string) string {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)-1] ^= 1
	other := filepath.Join(t.TempDir(), "other.tar")
	if err := os.WriteFile(other, b, 0o644); err != nil {
		t.Fatal(err)
	}
	return other
}

func TestVerifyFindsDamage(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	newRepository(t, dir)
	if _, err := addFile(t.Context(), dir, "first", volumeFile(t, 1<<20), share{}); err != nil {
		t.Fatal(err)
	}
	slabs, err := filepath.Glob(filepath.Join(dir, "repository", "slabs", "*", "*"))
	if err != nil || len(slabs) == 0 {
		t.Fatalf("slabs: %v, %v", slabs, err)
	}
	b, err := os.ReadFile(slabs[0])
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)/2] ^= 1
	if err := os.WriteFile(slabs[0], b, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := verify(t.Context(), dir); err == nil {
		t.Error("a flipped bit was not found")
	}
}

// TestCompareFolder changes a restored folder in ways that must be seen.
func TestCompareFolder(t *testing.T) {
	needs(t, "tar")
	for name, change := range map[string]func(file string) error{
		"nothing":  func(string) error { return nil },
		"contents": func(file string) error { return os.WriteFile(file, []byte("beam"), 0o644) },
		"mode":     func(file string) error { return os.Chmod(file, 0o600) },
		"gone":     os.Remove,
		"another":  func(file string) error { return os.WriteFile(file+"2", nil, 0o644) },
	} {
		t.Run(name, func(t *testing.T) {
			dir, tarball := t.TempDir(), filepath.Join(t.TempDir(), "t.tar")
			file := filepath.Join(dir, "a")
			if err := os.WriteFile(file, []byte("bean"), 0o644); err != nil {
				t.Fatal(err)
			}
			if err := tarFolder(t.Context(), tarball, dir); err != nil {
				t.Fatal(err)
			}
			if err := change(file); err != nil {
				t.Fatal(err)
			}
			err := compareFolder(t.Context(), tarball, dir)
			if name == "nothing" && err != nil || name != "nothing" && !errors.Is(err, errDiffers) {
				t.Errorf("got %v", err)
			}
		})
	}
}

func TestRestoreFolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	newRepository(t, dir)
	file := volumeFile(t, 1<<20)
	a, err := addFile(t.Context(), dir, "first", file, share{})
	if err != nil {
		t.Fatal(err)
	}
	into := filepath.Join(t.TempDir(), "into")
	in, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	if os.Geteuid() != 0 {
		t.Skip("its owners can be restored by root only")
	}
	if err := restoreFolder(t.Context(), dir, a.ID, into); err != nil {
		t.Fatal(err)
	}
	// The stream of the folder holds the same files in another order.
	var b bytes.Buffer
	if _, err := volume.WriteTar(context.Background(), &b, into, volume.ReadOptions{}); err != nil {
		t.Fatal(err)
	}
	if got, want := contents(t, &b), contents(t, in); len(want) < 5 || !equal(got, want) {
		t.Errorf("restored %d members, want %d", len(got), len(want))
	}
}
