package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/files"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// wire are the calls of a protocol that the kernel counts, by their names.
type wire map[string]int64

// wires are where clients tell their counts.
var wires = map[string]struct {
	file   string
	counts *regexp.Regexp // a name and a number
}{
	// Behind each operation is how often it was asked for, and how often that was sent: nfs-utils' mountstats.py.
	"nfs": {"/proc/self/mountstats", regexp.MustCompile(`(?m)^\s+([A-Z_]+): (\d+) \d+ `)},
	// Numbers are those of MS-SMB2, 2.2.1. What goes as one message is counted call by call.
	"cifs": {"/proc/fs/cifs/Stats", regexp.MustCompile(`(?m)^(\w+): (\d+) total`)},
}

// keeping are the calls by which an NFS client keeps up its session, whatever is asked for.
var keeping = map[string]bool{"NULL": true, "SEQUENCE": true, "RENEW": true, "EXCHANGE_ID": true, "CREATE_SESSION": true, "RECLAIM_COMPLETE": true}

func readWire(kind string) (wire, error) {
	b, err := os.ReadFile(wires[kind].file)
	if err != nil {
		return nil, err
	}
	w := wire{}
	for _, found := range wires[kind].counts.FindAllSubmatch(b, -1) {
		n, err := strconv.ParseInt(string(found[2]), 10, 64)
		if err != nil {
			return nil, err
		}
		if name := string(found[1]); !keeping[name] {
			w[name] += n
		}
	}
	if len(w) == 0 {
		return nil, fmt.Errorf("%s counts nothing:\n%s", wires[kind].file, b)
	}
	return w, nil
}

// since gives what was counted since, and how many calls that are.
func (w wire) since(before wire) (counts wire, all int64) {
	counts = wire{}
	for name, n := range w {
		if n -= before[name]; n != 0 {
			counts[name] = n
			all += n
		}
	}
	return counts, all
}

// TestOnShareCalls holds what goes over the wire, mounted anew, to bounds, and to what the model of a share (storagetest.Share)
// makes of the same work: there are 41 captures, so that opening each needlessly breaks the bounds, and looking at each, which a client that
// has just listed them answers by itself, the ratio.
//
// A client that knows nothing gets with names what else there is to know of files, which the model charges for, and looks up each folder,
// which the model does not. CIFS counts a look at a file as three calls (open, ask, close), which go together.
func TestOnShareCalls(t *testing.T) {
	share, kind := os.Getenv("KIST_TEST_SHARE"), os.Getenv(shareKind)
	if share == "" || wires[kind].file == "" {
		t.Skip("no share whose calls are counted: see TestShares")
	}
	const name = "calls"
	s := &callsOnShare{t: t, kind: kind, share: share, at: filepath.Join(share, name), here: t.TempDir(), key: crypt.NewKeyFile()}
	t.Cleanup(func() { os.RemoveAll(filepath.Join(servedAt, name)) })
	s.make(filepath.Join(servedAt, name))
	type bounds struct {
		most        int64   // calls
		least, over float64 // of what the model says
	}
	for _, c := range []struct {
		what   string
		do     func(context.Context, *store.Repository) error
		bounds map[string]bounds // seen, several times: see the comments
	}{
		{"an unchanged capture", s.capture, map[string]bounds{
			"nfs":  {100, 0.7, 1.3}, // 75 to 77, and 85 by the model
			"cifs": {240, 1.3, 2.8}, // 148 to 174
		}},
		{"list", func(ctx context.Context, r *store.Repository) error { _, err := r.Captures(ctx); return err }, map[string]bounds{
			"nfs":  {45, 0.7, 1.6}, // 30, and 26 or 27 by the model
			"cifs": {80, 1.3, 2.8}, // 52
		}},
	} {
		counts, calls, model := s.count(c.do)
		said := fmt.Sprintf("%s: %d calls %v, by the model %d %v", c.what, calls, counts, model.Calls(), model.Counts())
		t.Log(said)
		b := c.bounds[kind]
		if calls > b.most {
			t.Errorf("more than %d: %s", b.most, said)
		}
		if ratio := float64(calls) / float64(model.Calls()); ratio < b.least || ratio > b.over {
			t.Errorf("%.2f of the model, not %.1f to %.1f: %s", ratio, b.least, b.over, said)
		}
	}
}

// TestOnShareListing: a client that lists a folder gets with the names what else there is to know of files, if it is asked for many at a
// time (files.OS); one that is to forget soon is particular. There are as many as slabs in a folder of 10 TiB.
func TestOnShareListing(t *testing.T) {
	share, kind := os.Getenv("KIST_TEST_SHARE"), os.Getenv(shareKind)
	if share == "" || wires[kind].file == "" {
		t.Skip("no share whose calls are counted: see TestShares")
	}
	const name = "listing"
	t.Cleanup(func() { os.RemoveAll(filepath.Join(servedAt, name)) })
	s := &callsOnShare{t: t, kind: kind, share: share}
	numbers := []int{100, 600, 1300} // one after the other, as a client goes by what it saw before
	for _, n := range numbers {
		folder := filepath.Join(servedAt, name, strconv.Itoa(n))
		s.check(os.MkdirAll(folder, 0o700))
		for i := range n {
			s.check(os.WriteFile(filepath.Join(folder, fmt.Sprintf("%022x", i)), nil, 0o600))
		}
	}
	s.mountAnew("actimeo=3")
	system, err := files.OS(filepath.Join(share, name)).Open()
	s.check(err)
	defer system.Close()
	most := map[string]int64{"nfs": 15, "cifs": 40}[kind] // seen: 3 to 5, 7 to 17
	for _, n := range numbers {
		before, err := readWire(kind)
		s.check(err)
		infos, err := system.List(strconv.Itoa(n))
		s.check(err)
		after, err := readWire(kind)
		s.check(err)
		counts, calls := after.since(before)
		t.Logf("%d files: %d calls %v", n, calls, counts)
		if len(infos) != n || calls > most {
			t.Errorf("%d calls for %d of %d files: %v; at most %d are expected", calls, len(infos), n, counts, most)
		}
	}
}

// scriptCalls runs kist, and bounds what goes over the wire.
func scriptCalls(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: calls MOST kist …")
	}
	most, err := strconv.ParseInt(args[0], 10, 64)
	ts.Check(err)
	kind := os.Getenv(shareKind)
	before, err := readWire(kind)
	ts.Check(err)
	ts.Check(ts.Exec(args[1], args[2:]...))
	after, err := readWire(kind)
	ts.Check(err)
	counts, all := after.since(before)
	ts.Logf("%d calls: %v", all, counts)
	if all > most {
		ts.Fatalf("%d calls, more than %d: %v", all, most, counts)
	}
}

// servedAt is what the server has of the share.
const servedAt = "/mnt/served"

// callsOnShare is a repository on a share.
type callsOnShare struct {
	t               *testing.T
	kind, share, at string
	here            string // of this machine
	key             *crypt.KeyFile
	captures        int
}

// make makes a repository of some captures, on the server, where it is quick.
func (s *callsOnShare) make(at string) {
	ctx := s.t.Context()
	folder, err := storage.CreateFolder(at, store.Folders()...)
	s.check(err)
	r, err := store.Create(ctx, folder, s.key, store.CreateOptions{})
	s.check(err)
	s.check(errors.Join(r.Close(), folder.Close()))
	for i := range 40 {
		file := filepath.Join(s.here, "seedbank", fmt.Sprint(i%7))
		s.check(os.MkdirAll(filepath.Dir(file), 0o700))
		s.check(os.WriteFile(file, fmt.Appendf(nil, "2026-%04d Papaver rhoeas", i), 0o600))
		old := time.Now().Add(time.Duration(i-100) * time.Hour) // else it may change again unseen
		s.check(os.Chtimes(file, old, old))
		s.with(files.OS(at), s.capture)
	}
	s.with(files.OS(at), s.capture)
}

func (s *callsOnShare) capture(ctx context.Context, r *store.Repository) error {
	s.captures++
	_, err := r.Capture(ctx, store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{
		{Name: "data", Folder: &store.FolderInput{Path: filepath.Join(s.here, "seedbank")}},
	}})
	return err
}

// with opens the repository, as a process of its own does.
func (s *callsOnShare) with(at files.Place, do func(context.Context, *store.Repository) error) {
	s.t.Helper()
	folder, err := storage.OpenFolderAt(at)
	s.check(err)
	defer folder.Close()
	r, err := store.Open(s.t.Context(), folder, s.key, store.OpenOptions{Cache: filepath.Join(s.here, "cache"), State: filepath.Join(s.here, "state")})
	s.check(err)
	defer r.Close()
	s.check(do(s.t.Context(), r))
}

// count counts what something takes, on the share that is mounted anew, and what the model makes of that.
func (s *callsOnShare) count(do func(context.Context, *store.Repository) error) (wire, int64, *storagetest.Share) {
	s.t.Helper()
	s.mountAnew("")
	model := storagetest.NewShare(files.OS(s.at))
	before, err := readWire(s.kind)
	s.check(err)
	s.with(model, do)
	after, err := readWire(s.kind)
	s.check(err)
	counts, all := after.since(before)
	return counts, all, model
}

// mountAnew has the client forget what it knows.
func (s *callsOnShare) mountAnew(options string) {
	s.t.Helper()
	for _, command := range [][]string{{"umount", s.share}, {"share-mount", options}} {
		if out, err := exec.Command(command[0], command[1:]...).CombinedOutput(); err != nil {
			s.t.Fatalf("%v: %v: %s", command, err, out)
		}
	}
}

func (s *callsOnShare) check(err error) {
	s.t.Helper()
	if err != nil {
		s.t.Fatal(err)
	}
}
