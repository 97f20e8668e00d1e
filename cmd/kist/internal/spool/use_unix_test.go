//go:build unix

package spool

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
)

func (s *Spool) mustUse(t *testing.T) *Use {
	t.Helper()
	u, err := s.Use(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// TestAlone: nothing is done alone while another one is at work, who goes on; and who comes meanwhile waits.
func TestAlone(t *testing.T) {
	s := &Spool{Dir: t.TempDir()}
	one, two := s.mustUse(t), s.mustUse(t)
	fails := func() error { t.Error("it is done"); return nil }
	for _, u := range []*Use{one, two} {
		if done, err := u.Alone(t.Context(), fails); done || err != nil {
			t.Errorf("%v, %v", done, err)
		}
	}
	two.Drop()
	failed := errors.New("failed")
	done, err := one.Alone(t.Context(), func() error {
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if u, err := s.Use(ctx); !errors.Is(err, context.Canceled) {
			t.Errorf("another one is at work: %v, %v", u, err)
		}
		return failed
	})
	if !done || !errors.Is(err, failed) {
		t.Errorf("%v, %v", done, err)
	}
	two = s.mustUse(t)
	if done, _ := two.Alone(t.Context(), fails); done {
		t.Error("who was alone is not at work any more")
	}
	one.Drop()
	two.Drop()
	two.Drop()
}

// TestSendOne: one sends at a time, and who waits does so until the other is done, or what is asked meanwhile fails, or the context ends.
func TestSendOne(t *testing.T) {
	s := &Spool{Dir: t.TempDir()}
	done, err := s.Send(t.Context(), func() error { t.Error("nobody else sends"); return nil })
	if err != nil {
		t.Fatal(err)
	}
	silent := errors.New("silent")
	if _, err := s.Send(t.Context(), func() error { return silent }); !errors.Is(err, silent) {
		t.Error(err)
	}
	ctx, cancel := context.WithCancelCause(t.Context())
	if _, err := s.Send(ctx, func() error { cancel(silent); return nil }); !errors.Is(err, silent) {
		t.Error(err)
	}
	asked := 0
	done, err = s.Send(t.Context(), func() error { asked++; done(); return nil })
	if err != nil || asked != 1 {
		t.Errorf("asked %d times, %v", asked, err)
	}
	done()
}

// TestOthers: a spool is used as long as nobody else can exchange it.
func TestOthers(t *testing.T) {
	for name, c := range map[string]struct {
		harm func(dir string) error // dir: that of the state
		want error
	}{
		"as made":                {func(string) error { return nil }, nil},
		"state of all":           {func(dir string) error { return os.Chmod(dir, 0o777) }, ErrOthers},
		"state of all, sticky":   {func(dir string) error { return os.Chmod(dir, os.ModeSticky|0o777) }, nil},
		"spools of all":          {func(dir string) error { return os.Chmod(filepath.Join(dir, "spool"), 0o777) }, ErrOthers},
		"spools of a group":      {func(dir string) error { return os.Chmod(filepath.Join(dir, "spool"), 0o770) }, ErrOthers},
		"all may write in sent":  {func(dir string) error { return os.Chmod(filepath.Join(dir, "spool", "id", sent), 0o722) }, ErrOthers},
		"all may read":           {func(dir string) error { return os.Chmod(filepath.Join(dir, "spool"), 0o755) }, nil},
		"a link to the spools":   {func(dir string) error { return relink(filepath.Join(dir, "spool")) }, ErrOthers},
		"a link to the captures": {func(dir string) error { return relink(filepath.Join(dir, "spool", "id", captures)) }, ErrOthers},
		"a link to what is sent": {func(dir string) error { return relink(filepath.Join(dir, "spool", "id", sent)) }, ErrOthers},
		"another user's": {func(dir string) error {
			if os.Geteuid() != 0 {
				return relink(filepath.Join(dir, "spool")) // only root can give it away
			}
			return os.Chown(filepath.Join(dir, "spool"), 65534, 65534)
		}, ErrOthers},
	} {
		dir := t.TempDir()
		all := Spools{filepath.Join(dir, "spool")}
		s, err := all.Of("id")
		if err != nil {
			t.Fatal(err)
		}
		f, err := s.Open(true)
		if err != nil {
			t.Fatal(err)
		}
		f.Close()
		if err := c.harm(dir); err != nil {
			t.Fatal(err)
		}
		if f, err := s.Open(false); !errors.Is(err, c.want) || err == nil && f.Close() != nil {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := s.Waiting(); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	none := Spools{filepath.Join(t.TempDir(), "spool")}
	if err := os.Chmod(filepath.Dir(none.Dir), 0o777); err != nil {
		t.Fatal(err)
	}
	s, err := none.Of("id")
	if err != nil {
		t.Fatal(err)
	}
	if ids, err := s.Waiting(); err != nil || len(ids) > 0 {
		t.Errorf("there is none: %q, %v", ids, err)
	}
	if _, err := s.Open(true); !errors.Is(err, ErrOthers) {
		t.Errorf("it is made where others may exchange it: %v", err)
	}
}

// relink puts a link to a folder in its place.
func relink(path string) error {
	return errors.Join(os.Rename(path, path+"2"), os.Symlink(path+"2", path))
}
