package store

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// site is a repository in memory that several machines use.
type site struct {
	t   *testing.T
	mem *storage.Memory
	key *crypt.KeyFile
}

func newSite(t *testing.T) *site {
	t.Helper()
	s := &site{t: t, mem: storage.NewMemory(), key: crypt.NewKeyFile()}
	r, err := Create(t.Context(), s.mem, s.key, CreateOptions{ChunkAverage: 8192, Grace: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	return s
}

// machine is one process on a machine with a state folder.
type machine struct {
	*Repository
	t      *testing.T
	warned []error
}

// open opens the repository on a machine; "" is one that keeps nothing.
func (s *site) open(state string) *machine {
	s.t.Helper()
	m := &machine{t: s.t}
	var err error
	m.Repository, err = Open(s.t.Context(), s.mem, s.key, OpenOptions{State: state, Warn: func(err error) { m.warned = append(m.warned, err) }})
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { m.Close() })
	return m
}

// put captures a stream.
func (m *machine) put(name, content string) *Capture {
	m.t.Helper()
	c, err := m.Capture(m.t.Context(), CaptureOptions{Name: name, Host: "hazel", Volumes: []VolumeInput{{Open: func(context.Context) (io.ReadCloser, error) {
		return io.NopCloser(bytes.NewReader([]byte(content))), nil
	}}}})
	if err != nil {
		m.t.Fatal(err)
	}
	return c
}

// folder captures a folder.
func (m *machine) folder(dir string) *Capture {
	m.t.Helper()
	c, err := m.Capture(m.t.Context(), CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []VolumeInput{{
		Source: dir, Folder: &FolderInput{Path: dir, Now: func() time.Time { return time.Now().Add(time.Hour) }},
	}}})
	if err != nil {
		m.t.Fatal(err)
	}
	return c
}

// restored gives what restoring a capture gives.
func (m *machine) restored(c *Capture) []byte {
	m.t.Helper()
	var b bytes.Buffer
	if err := m.Restore(m.t.Context(), &c.Volumes[0], &b, RestoreOptions{}); err != nil {
		m.t.Fatal(err)
	}
	return b.Bytes()
}

// lapse gives what reading the captures tells to be amiss, or an empty one.
func (m *machine) lapse() *LapseError {
	m.t.Helper()
	m.warned = nil
	if _, err := m.AllCaptures(m.t.Context()); err != nil {
		m.t.Fatal(err)
	}
	if len(m.warned) == 0 {
		return &LapseError{}
	}
	var l *LapseError
	if len(m.warned) > 1 || !errors.As(m.warned[0], &l) {
		m.t.Fatalf("warned of %v", m.warned)
	}
	return l
}

// harmed gives the ids that Verify finds harmed.
func (m *machine) harmed(o VerifyOptions) (ids []string) {
	m.t.Helper()
	report, err := m.Verify(m.t.Context(), o)
	if err != nil {
		m.t.Fatal(err)
	}
	for _, d := range report.Damage {
		m.t.Log(d.Object, d.Problem)
		ids = append(ids, d.Captures...)
	}
	slices.Sort(ids)
	if report.OK != (len(report.Damage) == 0) {
		m.t.Errorf("OK is %v with %d damages", report.OK, len(report.Damage))
	}
	return ids
}

// snapshot copies all objects.
func (s *site) snapshot() map[string][]byte {
	s.t.Helper()
	all := make(map[string][]byte)
	for _, folder := range []string{names.KeySlots, names.Slabs, names.Tables, names.Captures, names.Holds, names.Retired, names.Leases, names.Condemned} {
		infos, err := s.mem.List(s.t.Context(), folder)
		if err != nil {
			s.t.Fatal(err)
		}
		for _, info := range infos {
			all[info.Name] = s.read(info.Name)
		}
	}
	return all
}

// read gives an object.
func (s *site) read(name string) []byte {
	s.t.Helper()
	info, err := s.mem.Stat(s.t.Context(), name)
	b := make([]byte, info.Size)
	if err == nil {
		err = s.mem.ReadAt(s.t.Context(), name, b, 0)
	}
	if err != nil {
		s.t.Fatal(err)
	}
	return b
}

// rollBack puts all objects back to what they were.
func (s *site) rollBack(to map[string][]byte) {
	s.t.Helper()
	for name := range s.snapshot() {
		if _, ok := to[name]; !ok {
			s.remove(name)
		}
	}
	for name, b := range to {
		if err := s.mem.Put(s.t.Context(), name, bytes.NewReader(b)); err != nil && !errors.Is(err, storage.ErrExists) {
			s.t.Fatal(err)
		}
	}
}

func (s *site) remove(name string) {
	s.t.Helper()
	if err := s.mem.Remove(s.t.Context(), name); err != nil {
		s.t.Fatal(err)
	}
}

// retireNow retires a capture and reclaims it.
func (m *machine) retireNow(id string) {
	m.t.Helper()
	if err := m.Retire(m.t.Context(), []string{id}, MarkOptions{}); err != nil {
		m.t.Fatal(err)
	}
	report, err := m.Reclaim(m.t.Context(), ReclaimOptions{Grace: NoGrace})
	if err != nil || !slices.Contains(report.Captures, id) {
		m.t.Fatalf("%+v, %v", report, err)
	}
}

// seeded gives n bytes that no compressor shortens.
func seeded(seed byte, n int) []byte {
	b := make([]byte, n)
	rand.NewChaCha8([32]byte{seed}).Read(b)
	return b
}

// oldFile writes a file that looks as if it had been there for long.
func oldFile(t *testing.T, dir, name, content string) {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
		t.Fatal(err)
	}
	old := time.Now().Add(-time.Hour)
	if err := os.Chtimes(path, old, old); err != nil {
		t.Fatal(err)
	}
}
