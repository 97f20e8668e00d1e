package storagetest

import (
	"io/fs"
	"maps"
	"sync"
	"time"

	"github.com/kistarchive/kist/store/storage/files"
)

// Share gives a place the calls of a network's protocol: it counts what a client of NFS 4.2
// sends whose caches have lapsed, and lets each call take a while. It is for
// [storage.OpenFolderAt]; a [Disk] is such a place.
//
// What a call of the file system costs is that of a kernel client, as counted by its
// /proc/self/mountstats: TestOnShareCalls of cmd/kist holds both against each other, of the same
// work, as a Share may be of a folder on a mounted share, too. It may be used by any number of goroutines.
type Share struct {
	place files.Place

	mu      sync.Mutex
	latency time.Duration
	counts  map[string]int64
	read    int64
	slots   chan struct{}
}

// shareSlots is how many calls are under way at a time: the session slots of a kernel NFS client.
const shareSlots = 64

// NewShare gives the share of a place, whose calls take no time.
func NewShare(at files.Place) *Share {
	return &Share{place: at, counts: make(map[string]int64), slots: make(chan struct{}, shareSlots)}
}

// SetLatency says how long a call takes from now on.
func (s *Share) SetLatency(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.latency = d
}

// Reset forgets what was counted.
func (s *Share) Reset() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.counts, s.read = make(map[string]int64), 0
}

// Calls gives how many calls there were since Reset.
func (s *Share) Calls() (all int64) {
	for _, n := range s.Counts() {
		all += n
	}
	return all
}

// Counts gives the calls by what they ask for.
func (s *Share) Counts() map[string]int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return maps.Clone(s.counts)
}

// Read gives how many bytes of files were read since Reset.
func (s *Share) Read() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.read
}

// call counts n calls, one after the other.
func (s *Share) call(what string, n int) {
	s.mu.Lock()
	s.counts[what] += int64(n)
	latency := s.latency
	s.mu.Unlock()
	if latency > 0 && n > 0 {
		s.slots <- struct{}{}
		time.Sleep(time.Duration(n) * latency)
		<-s.slots
	}
}

// atOnce counts n calls, some of them under way at a time.
func (s *Share) atOnce(what string, n int) {
	s.mu.Lock()
	s.counts[what] += int64(n)
	latency := s.latency
	s.mu.Unlock()
	if latency > 0 {
		time.Sleep(time.Duration((n+shareAtOnce-1)/shareAtOnce) * latency)
	}
}

// Path implements [files.Place].
func (s *Share) Path() string { return s.place.Path() }

// Make implements [files.Place].
func (s *Share) Make() error { return s.place.Make() }

// Flush implements [files.Place].
func (s *Share) Flush() error { return s.place.Flush() }

// Open implements [files.Place].
func (s *Share) Open() (files.System, error) {
	system, err := s.place.Open()
	if err != nil {
		return nil, err
	}
	return &sharing{system, s}, nil
}

// What listing costs: a folder is looked at, opened and read, in pieces; and each entry's
// attributes are a call of their own, several of them under way at a time. So it is where a client kept the
// names of a folder that did not change, and the attributes have lapsed (Linux 6.1: 601 GETATTR for 600 files); one that
// lists a folder anew gets them with the names (4 calls).
const (
	shareFolder = 3
	sharePiece  = 512 // entries
	shareAtOnce = 64  // as files.OS asks
)

// sharing is a files.System over a share.
type sharing struct {
	files.System
	share *Share
}

func (s *sharing) Create(name string) (files.WriteFile, error) {
	s.share.call("create", 1)
	f, err := s.System.Create(name)
	if err != nil {
		return nil, err
	}
	return &shareWriter{f, s.share, 0}, nil
}

func (s *sharing) Open(name string) (files.ReadFile, error) {
	s.share.call("open", 1)
	f, err := s.System.Open(name)
	if err != nil {
		return nil, err
	}
	return &shareReader{f, s.share}, nil
}

func (s *sharing) Stat(name string) (fs.FileInfo, error) {
	s.share.call("stat", 1)
	return s.System.Stat(name)
}

func (s *sharing) List(folder string) ([]fs.FileInfo, error) {
	infos, err := s.System.List(folder)
	s.share.call("list", shareFolder+len(infos)/sharePiece)
	s.share.atOnce("stat of what was listed", len(infos))
	return infos, err
}

// Names implements [files.Namer].
func (s *sharing) Names(folder string) ([]files.Entry, error) {
	entries, err := s.names(folder)
	s.share.call("list", shareFolder+len(entries)/sharePiece)
	return entries, err
}

func (s *sharing) names(folder string) ([]files.Entry, error) {
	if namer, ok := s.System.(files.Namer); ok {
		return namer.Names(folder)
	}
	infos, err := s.System.List(folder)
	entries := make([]files.Entry, len(infos))
	for i, info := range infos {
		entries[i] = files.Entry{Name: info.Name(), Type: info.Mode().Type()}
	}
	return entries, err
}

func (s *sharing) Rename(from, to string) error {
	s.share.call("rename", 1)
	return s.System.Rename(from, to)
}

func (s *sharing) Remove(name string) error {
	s.share.call("remove", 1)
	return s.System.Remove(name)
}

func (s *sharing) Mkdir(name string) error {
	s.share.call("make folder", 1)
	return s.System.Mkdir(name)
}

func (s *sharing) SyncFolder(name string) error {
	s.share.call("sync folder", 1)
	return s.System.SyncFolder(name)
}

// shareBlock is how many bytes a call carries.
const shareBlock = 1 << 20

// shareWriter is a files.WriteFile over a share: what is written goes when it is flushed.
type shareWriter struct {
	files.WriteFile
	share *Share
	size  int
}

func (w *shareWriter) Write(p []byte) (int, error) {
	n, err := w.WriteFile.Write(p)
	w.size += n
	return n, err
}

func (w *shareWriter) Sync() error {
	w.share.call("write", 1+w.size/shareBlock)
	w.share.call("sync", 1)
	w.size = 0
	return w.WriteFile.Sync()
}

func (w *shareWriter) Close() error {
	w.share.call("close", 1)
	return w.WriteFile.Close()
}

// shareReader is a files.ReadFile over a share. Its length came when it was opened.
type shareReader struct {
	files.ReadFile
	share *Share
}

func (r *shareReader) ReadAt(p []byte, off int64) (int, error) {
	r.share.call("read", 1+len(p)/shareBlock)
	n, err := r.ReadFile.ReadAt(p, off)
	r.share.mu.Lock()
	r.share.read += int64(n)
	r.share.mu.Unlock()
	return n, err
}

func (r *shareReader) Close() error {
	r.share.call("close", 1)
	return r.ReadFile.Close()
}
