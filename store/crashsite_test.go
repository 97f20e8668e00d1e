package store_test

import (
	"bytes"
	"context"
	"errors"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
	"github.com/kistarchive/kist/store/volume"
)

// site is a repository on a disk whose power may fail, with what is known of it.
type site struct {
	t                 *testing.T
	disk              *storagetest.Disk
	folder            *storage.Folder
	*store.Repository // nil before setup

	key, spareKey *crypt.KeyFile
	spare         use
	spareID       crypt.SlotID
	harmed        bool   // tables are, on purpose
	source        string // a folder to capture
	streams       map[string][]byte

	mu       sync.Mutex
	first    []string          // ids of the captures that were reported, in that order
	reported map[string][]byte // streams of the captures that were reported, by id
	begun    [][]byte          // streams of those that were begun: they may be there
	leaving  map[string]bool   // ids of captures that may be gone
}

// use says whether a key opens the repository.
type use int

const (
	opensNot use = iota
	perhaps      // an addition or a removal was interrupted
	opens
)

func newSite(t *testing.T) *site {
	t.Helper()
	s := &site{
		t: t, disk: storagetest.NewDisk(1), key: crypt.NewKeyFile(), spareKey: crypt.NewKeyFile(),
		source: t.TempDir(), streams: newStreams(t), reported: map[string][]byte{}, leaving: map[string]bool{},
	}
	for i := range 12 {
		s.write("lots/"+string(rune('a'+i)), random(byte(i), i*97))
	}
	s.write("large", random(200, 40_000))
	t.Cleanup(s.close)
	return s
}

func (s *site) close() {
	if s.Repository != nil {
		s.Repository.Close()
	}
	if s.folder != nil {
		s.folder.Close()
	}
}

// newStreams gives what is captured, by name. The long one takes several writes.
func newStreams(t *testing.T) map[string][]byte {
	catalogue := file{name: "catalogue", content: random(1, 60_000)}
	return map[string][]byte{
		"long":   tarOf(t, file{name: "catalogue", content: random(1, 1<<20)}),
		"first":  tarOf(t, catalogue, file{name: "journal", content: random(2, 20_000)}),
		"edited": tarOf(t, file{name: "catalogue", content: edited(catalogue.content, 6000, 1)}, file{name: "journal", content: edited(random(2, 20_000), 6000, 1)}),
		"second": tarOf(t, catalogue, file{name: "journal", content: random(3, 50_000)}),
		"third":  tarOf(t, file{name: "labels", content: random(4, 30_000)}),
		"last":   tarOf(t, catalogue, file{name: "labels", content: random(5, 10_000)}),
	}
}

// on gives the site with another disk, opened by its key.
func (s *site) on(t *testing.T, disk *storagetest.Disk) *site {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	c := &site{
		t: t, disk: disk, key: s.key, spareKey: s.spareKey, spare: s.spare, spareID: s.spareID, harmed: s.harmed, source: s.source, streams: s.streams,
		first: slices.Clone(s.first), reported: maps.Clone(s.reported), begun: slices.Clone(s.begun), leaving: maps.Clone(s.leaving),
	}
	if s.Repository != nil {
		c.open()
	}
	return c
}

func (s *site) open() {
	s.t.Helper()
	var err error
	if s.folder, err = s.disk.Open(); err == nil {
		s.Repository, err = store.Open(s.t.Context(), s.folder, s.key, store.OpenOptions{})
	}
	if err != nil {
		s.t.Fatal(err)
	}
}

// fork gives a copy of the site. t is that of whoever uses it.
func (s *site) fork(t *testing.T) *site { return s.on(t, s.disk.Fork()) }

// survivor gives what a power failure may leave of the site.
func (s *site) survivor(seed uint64) *site { return s.on(s.t, s.disk.Survivor(seed)) }

// begin and took take down a capture's beginning and end.
func (s *site) begin(in []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.begun = append(s.begun, in)
}

func (s *site) took(c *store.Capture, in []byte, err error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err == nil {
		s.reported[c.ID] = in
		s.first = append(s.first, c.ID)
	}
	return err
}

func (s *site) check() {
	s.t.Helper()
	if s.Repository == nil {
		s.checkUnfinishedSetup()
		return
	}
	ctx := s.t.Context()
	report, err := s.Verify(ctx, store.VerifyOptions{Full: true})
	if err != nil {
		s.t.Fatal(err)
	}
	for _, d := range report.Damage {
		if !s.harmed || !strings.HasPrefix(d.Object, "tables/") && !d.Mendable && !strings.Contains(d.Problem, "its second copy is there") {
			s.t.Errorf("damage: %+v", d)
		}
	}
	captures, err := s.Captures(ctx)
	if err != nil {
		s.t.Fatal(err)
	}
	there := map[string]bool{}
	for _, c := range captures {
		there[c.ID] = true
		s.checkCapture(ctx, c)
	}
	for id := range s.reported {
		if !there[id] && !s.leaving[id] {
			s.t.Errorf("capture %s was reported, and is not there", id)
		}
	}
	s.checkSlots(ctx)
}

func (s *site) checkCapture(ctx context.Context, c *store.Capture) {
	s.t.Helper()
	var out bytes.Buffer
	if err := s.Restore(ctx, &c.Volumes[0], &out, store.RestoreOptions{}); err != nil {
		s.t.Errorf("capture %s: %v", c.ID, err)
		return
	}
	want, known := s.reported[c.ID]
	if known && !bytes.Equal(out.Bytes(), want) {
		s.t.Errorf("capture %s restores to other bytes", c.ID)
	}
	if !known && !slices.ContainsFunc(s.begun, func(in []byte) bool { return bytes.Equal(in, out.Bytes()) }) {
		s.t.Errorf("capture %s is none that was begun", c.ID)
	}
}

func (s *site) checkSlots(ctx context.Context) {
	s.t.Helper()
	r, err := store.Open(ctx, s.folder, s.spareKey, store.OpenOptions{})
	if err == nil {
		r.Close()
	}
	if err != nil && !errors.Is(err, store.ErrWrongSecret) {
		s.t.Errorf("opening with the second key: %v", err)
	}
	if s.spare == opens && err != nil || s.spare == opensNot && err == nil {
		s.t.Errorf("the second key: %d, and opening with it gives %v", s.spare, err)
	}
}

// checkUnfinishedSetup tests that what an interrupted setup left is a repository, or is
// none and says so.
func (s *site) checkUnfinishedSetup() {
	s.t.Helper()
	folder, err := s.disk.Open()
	if err != nil {
		return // not even a folder
	}
	r, err := store.Open(s.t.Context(), folder, s.key, store.OpenOptions{})
	switch {
	case err == nil:
		s.folder, s.Repository = folder, r
		s.check()
	case errors.Is(err, store.ErrNoRepository):
	case errors.Is(err, store.ErrDamaged): // kist.json is a mark, and may be cut short
	default:
		s.t.Errorf("after an interrupted setup: %v", err)
	}
}

func (s *site) write(name string, content []byte) {
	s.t.Helper()
	write(s.t, s.source+"/"+name, content)
}

func (s *site) folderOptions() store.CaptureOptions {
	return store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{{
		Name: "data", Source: s.source, Folder: &store.FolderInput{Path: s.source, Now: later},
	}}}
}

func (s *site) folderStream(ctx context.Context) []byte {
	s.t.Helper()
	var b bytes.Buffer
	if _, err := volume.WriteTar(ctx, &b, s.source, volume.ReadOptions{}); err != nil {
		s.t.Fatal(err)
	}
	return b.Bytes()
}

func (s *site) changeFolder(context.Context) error {
	s.write("lots/c", random(90, 5000))
	s.write("new", random(91, 100))
	return nil
}

// harmTables loses one table, and cuts another short.
func (s *site) harmTables(ctx context.Context) error {
	s.harmed = true
	infos, err := s.folder.List(ctx, "tables")
	if err != nil || len(infos) < 2 {
		s.t.Fatalf("%d tables: %v", len(infos), err)
	}
	if err := s.folder.Remove(ctx, infos[0].Name); err != nil {
		return err
	}
	return s.disk.Truncate(infos[1].Name, infos[1].Size/2)
}
