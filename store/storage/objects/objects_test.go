package objects_test

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/objects"
	"github.com/kistarchive/kist/store/storage/objects/objectstest"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// The model test of the suite makes a request or more for each step: fewer rounds of it do.
func TestMain(m *testing.M) {
	flag.Parse()
	if f := flag.Lookup("rapid.checks"); f.Value.String() == f.DefValue {
		f.Value.Set("3")
	}
	os.Exit(m.Run())
}

var keys = objects.StaticKeys{AccessKey: "seedbank", SecretKey: "not a secret here"}

// fake is an object store in memory, with storages in it.
type fake struct {
	*objectstest.Fake
	t *testing.T
}

func newFake(t *testing.T) *fake { return &fake{objectstest.NewFake(t), t} }

func (f *fake) options() objects.Options {
	return objects.Options{
		Address:     objects.Address{Bucket: "seeds", Prefix: "hazel/kist", Endpoint: f.Server.URL},
		Credentials: keys,
		Stall:       5 * time.Second,
		Patience:    2 * time.Second,
	}
}

func (f *fake) open(change ...func(*objects.Options)) *objects.Storage {
	f.t.Helper()
	options := f.options()
	for _, c := range change {
		c(&options)
	}
	return open(f.t, options)
}

func open(t *testing.T, options objects.Options) *objects.Storage {
	t.Helper()
	s, err := objects.Open(t.Context(), options)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func TestStorage(t *testing.T) {
	storagetest.RunFlat(t, func(t *testing.T) storage.Storage { return newFake(t).open() })
}

// At the top of a bucket there is no prefix.
func TestNoPrefix(t *testing.T) {
	f := newFake(t)
	s := f.open(func(o *objects.Options) { o.Address.Prefix = "" })
	put(t, s, "slabs/ab/x", "one")
	if _, ok := f.Objects["slabs/ab/x"]; !ok {
		t.Error("the object is not at the top of the bucket")
	}
	if infos, err := s.List(t.Context(), ""); err != nil || len(infos) != 1 || infos[0].Name != "slabs/ab/x" {
		t.Errorf("%v, %v", infos, err)
	}
}

// What others have beside the prefix, or below it under other names, is not seen.
func TestOthersObjects(t *testing.T) {
	f := newFake(t)
	for _, key := range []string{"hazel/kist2/a", "hazel/kist/UPPER", "hazel/kist/a//b", "hazel/kist/_aside/x", "hazel/kist/", "a"} {
		f.Objects[key] = objectstest.Stored{Modified: time.Now()}
	}
	s := f.open()
	put(t, s, "kist.json", "{}")
	infos, err := s.List(t.Context(), "")
	if err != nil || len(infos) != 1 || infos[0].Name != "kist.json" {
		t.Errorf("%v, %v; want kist.json alone", infos, err)
	}
}

func TestListByPages(t *testing.T) {
	f := newFake(t)
	f.Page = 7
	s := f.open()
	for i := range 50 {
		mark(t, s, fmt.Sprintf("slabs/%02d", i))
	}
	infos, err := s.List(t.Context(), "slabs")
	if err != nil || len(infos) != 50 {
		t.Fatalf("%d, %v", len(infos), err)
	}
	for i, info := range infos {
		if want := fmt.Sprintf("slabs/%02d", i); info.Name != want {
			t.Errorf("%s, want %s", info.Name, want)
		}
	}
}

// A slab is one request; more than MaxWhole goes in parts, and nothing is left of them.
func TestRequests(t *testing.T) {
	if testing.Short() {
		t.Skip("150 MiB")
	}
	f := newFake(t)
	s := f.open()
	for _, test := range []struct {
		size, puts, posts int
	}{
		{0, 1, 0}, {1 << 20, 1, 0}, {32 << 20, 1, 0}, {objects.MaxWhole - 1, 1, 0}, {objects.MaxWhole, 1, 2}, {objects.MaxWhole + 1, 2, 2},
	} {
		name, want := fmt.Sprint("slabs/s", test.size), bytes.Repeat([]byte("seed"), (test.size+3)/4)[:test.size]
		f.Count("")
		if err := s.Put(t.Context(), name, bytes.NewReader(want)); err != nil {
			t.Fatal(err)
		}
		posts := 0
		var requests []string
		f.Set(func() {
			requests = f.Requests
			for _, r := range f.Requests {
				if strings.HasPrefix(r, "POST ") {
					posts++
				}
			}
		})
		if puts := f.Count("PUT "); puts != test.puts || posts != test.posts {
			t.Errorf("%d bytes: %d PUT and %d POST, want %d and %d: %q", test.size, puts, posts, test.puts, test.posts, requests)
		}
		if got := f.Objects["hazel/kist/"+name].Content; !bytes.Equal(got, want) {
			t.Errorf("%d bytes: another content of %d bytes", test.size, len(got))
		}
	}
	if len(f.Uploads) > 0 {
		t.Errorf("left: %v", f.Uploads)
	}
}

// Contents wait that the one which began first may leave no memory for, and none waits for itself.
func TestHeld(t *testing.T) {
	f := newFake(t)
	s := f.open(func(o *objects.Options) { o.Held = objects.MaxWhole })
	if writers, readers := s.Parallel(); writers != 2 || readers < 2 {
		t.Errorf("%d writers, %d readers", writers, readers)
	}
	r, w := io.Pipe()
	first := make(chan error, 1)
	go func() { first <- s.Put(context.Background(), "slabs/a", r) }()
	w.Write(make([]byte, 1<<20)) // the first one holds memory once this is read
	second := make(chan error, 1)
	large := &told{Reader: bytes.NewReader(make([]byte, objects.MaxWhole-1)), read: make(chan struct{}, 10_000)} // all that there is
	go func() { second <- s.Put(context.Background(), "slabs/b", large) }()
	<-large.read
	for i := range 20 { // small ones do not wait, and the second one had all that time
		mark(t, s, fmt.Sprint("leases/", i))
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := s.Put(ctx, "slabs/never", bytes.NewReader(make([]byte, 1<<20))); !errors.Is(err, context.Canceled) {
		t.Errorf("one that is not waited for: %v", err)
	}
	w.Close()
	if err := errors.Join(<-first, <-second); err != nil {
		t.Error(err)
	}
	a, b := slices.Index(f.Requests, "PUT /seeds/hazel/kist/slabs/a"), slices.Index(f.Requests, "PUT /seeds/hazel/kist/slabs/b")
	if a < 0 || b < a {
		t.Errorf("the second one did not wait: %q", f.Requests)
	}
	put(t, s, "slabs/c", strings.Repeat("c", 1<<20))
}

type told struct {
	io.Reader
	read chan struct{}
}

func (r *told) Read(p []byte) (int, error) {
	r.read <- struct{}{}
	return r.Reader.Read(p)
}

func TestRemoveAside(t *testing.T) {
	f := newFake(t)
	f.Page = 1 // also of uploads
	s := f.open()
	f.Uploads["old"] = &objectstest.Upload{Key: "hazel/kist/slabs/ab/old", Parts: map[int][]byte{1: make([]byte, 100), 2: make([]byte, 11)}, Begun: time.Now().Add(-2 * time.Hour).UTC()}
	f.Uploads["young"] = &objectstest.Upload{Key: "hazel/kist/slabs/ab/young", Begun: time.Now().UTC()}
	f.Uploads["slow"] = &objectstest.Upload{Key: "hazel/kist/slabs/ab/slow", Parts: map[int][]byte{1: nil}, Begun: time.Now().Add(-2 * time.Hour).UTC(), Sent: time.Now().UTC()}
	f.Uploads["other"] = &objectstest.Upload{Key: "hazel/other/slabs/ab/old", Begun: time.Now().Add(-2 * time.Hour).UTC()}
	f.Objects["hazel/kist/_aside/old"] = objectstest.Stored{Modified: time.Now().Add(-2 * time.Hour)}
	f.Objects["hazel/kist/_aside/young"] = objectstest.Stored{Modified: time.Now()}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second) // the first page of uploads again and again has no end
	defer cancel()
	removed, err := s.RemoveAside(ctx, time.Hour)
	if err != nil || len(removed) != 2 || removed[0].Name != "_aside/old" || removed[1].Name != "slabs/ab/old" || removed[1].Size != 111 {
		t.Errorf("%v, %v", removed, err)
	}
	if len(f.Uploads) != 3 || f.Uploads["old"] != nil || len(f.Objects) != 1 {
		t.Errorf("there are %v, %v", f.Uploads, f.Objects)
	}
}

// The time is that of the store, whatever this machine's clock says.
func TestTimeOfTheStore(t *testing.T) {
	f := newFake(t)
	s, want := f.open(), time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)
	f.After = func(_ http.ResponseWriter, r *http.Request) bool {
		f.Set(func() {
			for key, o := range f.Objects {
				o.Modified = want
				f.Objects[key] = o
			}
		})
		return false
	}
	if got, err := s.Now(t.Context()); err != nil || !got.Equal(want) {
		t.Errorf("%v, %v; want %v", got, err, want)
	}
}

// Each request by which something shows goes by a connection of its own: one gateway has all of one. A store that heeds the condition now
// and then does not heed it.
func TestProbeSpreads(t *testing.T) {
	f := newFake(t)
	by := make(map[string]bool)
	f.Ignores = true
	f.After = func(_ http.ResponseWriter, r *http.Request) bool {
		f.Set(func() {
			by[r.RemoteAddr] = true
			f.Ignores = f.Ignores && r.Method != http.MethodDelete // in the first try alone
		})
		return false
	}
	got, err := f.open().Probe(t.Context())
	if want := 5 * (2 + 2 + 2); err != nil || len(by) < want { // put twice, read and listed, and that again once it is removed
		t.Errorf("%d connections, want %d, %v", len(by), want, err)
	}
	if got.Conditional != objects.No {
		t.Errorf("the condition is heeded: %v", got.Conditional)
	}
}

func TestProbe(t *testing.T) {
	f := newFake(t)
	for _, test := range []struct {
		name   string
		change func()
		want   objects.Properties
	}{
		{"held", func() {}, objects.Properties{Conditional: objects.Yes, Late: objects.No, Removes: objects.Yes, Versions: objects.No, Locked: objects.No}},
		{"ignored, with versions", func() { f.Ignores, f.Versions = true, "Enabled" },
			objects.Properties{Conditional: objects.No, Late: objects.No, Removes: objects.Yes, Versions: objects.Yes, Locked: objects.No}},
	} {
		test.change()
		got, err := f.open().Probe(t.Context())
		if err != nil || got != test.want {
			t.Errorf("%s: %+v, %v; want %+v", test.name, got, err, test.want)
		}
		if len(f.Objects) > 0 {
			t.Errorf("%s: left: %v", test.name, f.Objects)
		}
	}
}

// An embedder of package store over folders gains nothing: nobody but the program and the measurements knows of this package or of what
// is behind it.
func TestNobodyElseImports(t *testing.T) {
	const self, client = "github.com/kistarchive/kist/store/storage/objects", "github.com/minio/minio-go/"
	root, found := "../../..", 0
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".go" {
			return err
		}
		rel, _ := filepath.Rel(root, path)
		rel = filepath.ToSlash(rel)
		own, program := strings.HasPrefix(rel, "store/storage/objects/"), strings.HasPrefix(rel, "cmd/") || strings.HasPrefix(rel, "bench/")
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, spec := range file.Imports {
			to := strings.Trim(spec.Path.Value, `"`)
			if strings.HasPrefix(to, client) || strings.Contains(to, "go-ini") {
				found++
				if !own {
					t.Errorf("%s imports %s", rel, to)
				}
			}
			if to == self && !own && !program {
				t.Errorf("%s imports %s", rel, to)
			}
		}
		return nil
	})
	if err != nil || found == 0 {
		t.Errorf("%v; %d imports of the client were found", err, found)
	}
}

func put(t *testing.T, s storage.Storage, name, content string) {
	t.Helper()
	if err := s.Put(t.Context(), name, strings.NewReader(content)); err != nil {
		t.Fatal(err)
	}
}

func mark(t *testing.T, s storage.Storage, name string) {
	t.Helper()
	if err := s.Mark(t.Context(), name, []byte(name)); err != nil {
		t.Fatal(err)
	}
}
