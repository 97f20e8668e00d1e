//go:build unix

package files

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// TestChainOfLinks: each folder that a link of a chain lies in is looked at, not only those of the ends.
func TestChainOfLinks(t *testing.T) {
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	in := func(name string) string { return filepath.Join(dir, name) }
	err = errors.Join(os.Mkdir(in("first"), 0o700), os.Mkdir(in("middle"), 0o700), os.Mkdir(in("last"), 0o700),
		os.WriteFile(in("last/kist.toml"), []byte("x"), 0o600),
		os.Symlink(in("middle/kist.toml"), in("first/kist.toml")), os.Symlink("../last/kist.toml", in("middle/kist.toml")),
		os.Symlink("middle", in("folder")), os.Symlink("round", in("round")))
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"first/kist.toml", "middle/kist.toml", "last/kist.toml", "folder/kist.toml"} {
		f, err := OpenTrusted(in(path))
		if err != nil {
			t.Fatal(path, err)
		}
		if b, err := io.ReadAll(f); string(b) != "x" || err != nil {
			t.Errorf("%s: %q, %v", path, b, err)
		}
		f.Close()
	}
	if _, err := OpenTrusted(in("round")); err == nil {
		t.Error("a link to itself was followed")
	}
	if err := os.Chmod(in("middle"), 0o777); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"first/kist.toml", "middle/kist.toml", "folder/kist.toml"} {
		if _, err := OpenTrusted(in(path)); !errors.Is(err, ErrOthers) {
			t.Errorf("%s, by a folder that all may write: %v", path, err)
		}
	}
}

// TestTrustedFromHere: a path that begins in the current folder is looked at from the root on, too.
func TestTrustedFromHere(t *testing.T) {
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	above := filepath.Join(dir, "above")
	if err := errors.Join(os.MkdirAll(filepath.Join(above, "here"), 0o700), os.WriteFile(filepath.Join(above, "here/kist.toml"), []byte("x"), 0o600)); err != nil {
		t.Fatal(err)
	}
	t.Chdir(filepath.Join(above, "here"))
	for _, path := range []string{"kist.toml", "./kist.toml", "../here/kist.toml"} {
		f, err := OpenTrusted(path)
		if err != nil {
			t.Errorf("%s: %v", path, err)
			continue
		}
		f.Close()
	}
	if err := os.Chmod(above, 0o777); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenTrusted("kist.toml"); !errors.Is(err, ErrOthers) {
		t.Errorf("below a folder that all may write: %v", err)
	}
}

// TestTrustedPipe: a pipe is refused, and not waited for.
func TestTrustedPipe(t *testing.T) {
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	pipe := filepath.Join(dir, "kist.toml")
	if err := unix.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	held, err := os.OpenFile(pipe, os.O_RDWR, 0) // so that whoever opens it all the same need not wait
	if err != nil {
		t.Fatal(err)
	}
	defer held.Close()
	if f, err := OpenTrusted(pipe); err == nil {
		f.Close()
		t.Error("a pipe was opened")
	}
}
