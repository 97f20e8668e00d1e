package store_test

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// openedTar has contents of several frames, long stretches of zeros, what is stored as
// sparse (GNU tar's pax format 1.0), links and a duplicate.
func openedTar(t testing.TB) (stream []byte, contents map[string][]byte) {
	holes := slices.Concat(random(4, 70_000), make([]byte, 3<<20+17), random(5, 9_000), make([]byte, 1<<20))
	sparse := make([]byte, 5_000_000)
	copy(sparse, random(6, 1000))
	copy(sparse[4_000_000:], random(7, 200_000))
	stored := make([]byte, 512)
	copy(stored, "2\n0\n1000\n4000000\n200000\n")
	stored = slices.Concat(stored, sparse[:1000], sparse[4_000_000:4_200_000])
	h := headerBytes(t, &tar.Header{Name: "GNUSparseFile.0/sparse", Size: int64(len(stored)), Mode: 0o600})
	records := paxRecord("GNU.sparse.major", "1") + paxRecord("GNU.sparse.minor", "0") + paxRecord("GNU.sparse.name", "sparse") +
		paxRecord("GNU.sparse.realsize", fmt.Sprint(len(sparse)))
	head := slices.Concat(paxHead(t, len(records)), []byte(records), make([]byte, -len(records)&511), h)

	before := memberTar(t)
	after := tarOf(t, file{name: "large", content: random(8, 2_500_000)}, file{name: "holes", content: holes},
		file{name: "link", hdr: func(h *tar.Header) { h.Typeflag, h.Linkname = tar.TypeLink, "sparse" }})
	stream = slices.Concat(before[:len(before)-1024], head, stored, make([]byte, -len(stored)&511), after)
	return stream, map[string][]byte{
		"large": random(8, 2_500_000), "holes": holes, "sparse": sparse, "link": sparse, "empty": {},
		"lots/a": random(3, 900), "./lots/b": random(2, 300_000), "lots/link-b": random(2, 300_000),
		strings.Repeat("shelf/", 60) + "bean": []byte("deep"),
	}
}

func (f *fixture) openVolume(c *store.Capture) *store.OpenedVolume {
	f.t.Helper()
	l, err := f.OpenVolume(f.t.Context(), &c.Volumes[0])
	if err != nil {
		f.t.Fatal(err)
	}
	return l
}

// TestOpenVolume holds an open listing against reading everything each time.
func TestOpenVolume(t *testing.T) {
	f := newFixture(t)
	in, contents := openedTar(t)
	c := f.capture(in)
	l := f.openVolume(c)
	var want []*store.Member
	for m, err := range f.Members(t.Context(), &c.Volumes[0]) {
		if err != nil {
			t.Fatal(err)
		}
		want = append(want, m)
	}
	if got := slices.Collect(l.Members()); !reflect.DeepEqual(got, want) || l.Len() != len(want) {
		t.Errorf("%d members, want %d", len(got), len(want))
	}
	for path, content := range contents {
		m, member, err := f.OpenMember(t.Context(), &c.Volumes[0], path)
		if err != nil {
			t.Fatal(err)
		}
		member.Close()
		opened, err := l.Open(t.Context(), path)
		if err != nil {
			t.Errorf("%s: %v", path, err)
			continue
		}
		b, err := io.ReadAll(opened)
		if err != nil || !bytes.Equal(b, content) || opened.Size() != int64(len(content)) || !reflect.DeepEqual(opened.Member(), m) {
			t.Errorf("%s: %d bytes of %d, %v", path, len(b), len(content), err)
		}
		for _, from := range []int{len(content) / 2, 71_111} { // within zeros, of the long ones
			opened.Seek(int64(from), io.SeekStart)
			if b, err := io.ReadAll(opened); err != nil || !bytes.Equal(b, content[min(from, len(content)):]) {
				t.Errorf("%s from %d: %d bytes of %d, %v", path, from, len(b), len(content), err)
			}
		}
		if err := opened.Close(); err != nil {
			t.Error(err)
		}
		_, read := opened.Read(b[:0])
		_, readAt := opened.ReadAt(nil, 0)
		_, seek := opened.Seek(0, io.SeekStart)
		for _, err := range []error{read, readAt, seek, opened.Close()} {
			if !errors.Is(err, fs.ErrClosed) {
				t.Errorf("%s: once it is closed: %v", path, err)
			}
		}
	}
	for _, path := range []string{"lots", "latest", "lots/c", ""} {
		if _, err := l.Open(t.Context(), path); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("%q: %v", path, err)
		}
	}
	if m, err := l.Find("./lots/"); err != nil || m.Path != "./lots/" {
		t.Errorf("a folder: %+v, %v", m, err)
	}
	if _, err := l.Find("lots/c"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("what is not there: %v", err)
	}
}

func TestOpenVolumePlain(t *testing.T) {
	f := newFixture(t)
	dump := random(1, 400_000)
	l := f.openVolume(f.capture(dump))
	opened, err := l.Open(t.Context(), "data")
	if err != nil {
		t.Fatal(err)
	}
	defer opened.Close()
	got := make([]byte, 5000)
	if n, err := opened.ReadAt(got, 300_000); n != 5000 || err != nil || !bytes.Equal(got, dump[300_000:305_000]) {
		t.Errorf("%d bytes, %v", n, err)
	}
}

// TestMemberFileModel reads at random beside a bytes.Reader, the standard library's own.
func TestMemberFileModel(t *testing.T) {
	f := newFixture(t)
	in, contents := openedTar(t)
	l := f.openVolume(f.capture(in))
	checkRounds(t, 60, func(rt *rapid.T) {
		path := rapid.SampledFrom([]string{"large", "holes", "sparse", "lots/b", "lots/a", "empty", "link"}).Draw(rt, "path")
		model := bytes.NewReader(contents[path])
		if contents[path] == nil {
			model = bytes.NewReader(contents["./"+path])
		}
		size := model.Size()
		is, err := l.Open(t.Context(), path)
		if err != nil {
			rt.Fatal(err)
		}
		defer is.Close()
		offset := rapid.OneOf(rapid.Int64Range(0, size+5), rapid.Int64Range(max(0, size-9), size+9))
		length := rapid.OneOf(rapid.IntRange(0, 40), rapid.IntRange(0, 300_000))
		rt.Repeat(map[string]func(*rapid.T){
			"read": func(rt *rapid.T) {
				want := make([]byte, length.Draw(rt, "length"))
				got := make([]byte, len(want))
				n, wantErr := io.ReadFull(model, want)
				k, err := io.ReadFull(is, got)
				if n != k || err != wantErr || !bytes.Equal(got, want) {
					rt.Fatalf("%d bytes, %v; want %d, %v", k, err, n, wantErr)
				}
			},
			"read at": func(rt *rapid.T) {
				want := make([]byte, length.Draw(rt, "length"))
				got := make([]byte, len(want))
				off := offset.Draw(rt, "offset")
				n, wantErr := model.ReadAt(want, off)
				k, err := is.ReadAt(got, off)
				if n != k || err != wantErr && len(want) > 0 || !bytes.Equal(got, want) {
					rt.Fatalf("at %d: %d bytes, %v; want %d, %v", off, k, err, n, wantErr)
				}
			},
			"seek": func(rt *rapid.T) {
				whence := rapid.IntRange(0, 3).Draw(rt, "whence")
				off := offset.Draw(rt, "offset")
				if whence != io.SeekStart {
					off -= size/2 + 3
				}
				at, wantErr := model.Seek(off, whence)
				if got, err := is.Seek(off, whence); (err == nil) != (wantErr == nil) || err == nil && got != at {
					rt.Fatalf("%d by %d: %d, %v; want %d, %v", off, whence, got, err, at, wantErr)
				}
			},
		})
	})
}

// TestMemberFileBeside opens and reads members by many goroutines, of one file and of
// several.
func TestMemberFileBeside(t *testing.T) {
	f := newFixture(t)
	in, contents := openedTar(t)
	l := f.openVolume(f.capture(in))
	var all sync.WaitGroup
	for path, content := range contents {
		shared, err := l.Open(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		defer shared.Close()
		for i := range 3 {
			all.Go(func() {
				got := make([]byte, min(len(content), 4000))
				off := int64((len(content) - len(got)) * i / 2)
				if n, err := shared.ReadAt(got, off); n != len(got) || err != nil && err != io.EOF || !bytes.Equal(got, content[off:off+int64(n)]) {
					t.Errorf("%s at %d: %d bytes, %v", path, off, n, err)
				}
				own, err := l.Open(t.Context(), path)
				if err != nil {
					t.Error(err)
					return
				}
				defer own.Close()
				if b, err := io.ReadAll(own); err != nil || !bytes.Equal(b, content) {
					t.Errorf("%s: %d bytes, %v", path, len(b), err)
				}
				if _, err := l.Find(path); err != nil {
					t.Error(err)
				}
				shared.Read(got) // anybody gets some part
				shared.Seek(0, io.SeekStart)
			})
		}
	}
	all.Wait()
	// Closing ends what others read.
	own, err := l.Open(t.Context(), "large")
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		all.Go(func() {
			for {
				if _, err := own.ReadAt(make([]byte, 100_000), 1_000_000); err != nil {
					if !errors.Is(err, fs.ErrClosed) && !errors.Is(err, context.Canceled) {
						t.Error(err)
					}
					return
				}
			}
		})
	}
	own.Close()
	all.Wait()
}

// TestMemberFileFault: a share that fails in between is said, and reading goes on where it
// was once it answers again. A long content was not read ahead as a whole.
func TestMemberFileFault(t *testing.T) {
	f := newFixture(t)
	large := random(9, 40<<20)
	c := f.capture(tarOf(t, file{name: "large", content: large}))
	watched, r := f.beside()
	found, err := r.Find(t.Context(), c.ID)
	if err != nil {
		t.Fatal(err)
	}
	l, err := r.OpenVolume(t.Context(), &found.Volumes[0])
	if err != nil {
		t.Fatal(err)
	}
	watched.Inject(storagetest.Fault{From: watched.Calls(storagetest.Any), Effect: storagetest.Fail})
	if _, err := l.Open(t.Context(), "large"); !errors.Is(err, storagetest.ErrInjected) {
		t.Errorf("opening where tables can't be read: %v", err)
	}
	watched.Inject()
	own, err := l.Open(t.Context(), "large")
	if err != nil {
		t.Fatalf("opening once the share answers: %v", err)
	}
	defer own.Close()
	got := make([]byte, len(large))
	if _, err := io.ReadFull(own, got[:1000]); err != nil {
		t.Fatal(err)
	}
	watched.Inject(storagetest.Fault{From: watched.Calls(storagetest.Any), Effect: storagetest.Fail})
	n, err := io.ReadFull(own, got[1000:])
	if !errors.Is(err, storagetest.ErrInjected) || n == 0 {
		t.Fatalf("%d bytes, %v", n, err)
	}
	if _, err := own.ReadAt(make([]byte, 100), int64(len(large)-100)); !errors.Is(err, storagetest.ErrInjected) {
		t.Errorf("ReadAt: %v", err)
	}
	watched.Inject()
	if at, err := own.Seek(0, io.SeekCurrent); at != int64(1000+n) || err != nil {
		t.Errorf("it is at %d after %d bytes, %v", at, 1000+n, err)
	}
	if _, err := io.ReadFull(own, got[1000+n:]); err != nil || !bytes.Equal(got, large) {
		t.Errorf("reading on: %v", err)
	}
}

// TestMemberFileFar: the end of a content is read without what lies before.
func TestMemberFileFar(t *testing.T) {
	f := newFixture(t)
	c := f.capture(tarOf(t, file{name: "large", content: random(9, 40<<20)}))
	watched, r := f.beside()
	found, err := r.Find(t.Context(), c.ID)
	if err != nil {
		t.Fatal(err)
	}
	l, err := r.OpenVolume(t.Context(), &found.Volumes[0])
	if err != nil {
		t.Fatal(err)
	}
	own, err := l.Open(t.Context(), "large")
	if err != nil {
		t.Fatal(err)
	}
	defer own.Close()
	before := watched.Calls(storagetest.Any)
	if _, err := own.ReadAt(make([]byte, 100), 20<<20); err != nil {
		t.Fatal(err)
	}
	// The length, the header, the end and a frame of a slab; two where it is cut.
	if n := watched.Calls(storagetest.Any) - before; n > 8 {
		t.Errorf("100 bytes took %d calls", n)
	}
	before = watched.Calls(storagetest.Any)
	if _, err := l.Open(t.Context(), "large"); err != nil || watched.Calls(storagetest.Any) != before {
		t.Errorf("opening another took %d calls, %v", watched.Calls(storagetest.Any)-before, err)
	}
}

// A tool opens a capture's volume once, and reads parts of its members.
func ExampleRepository_OpenVolume() {
	ctx := context.Background()
	r, err := store.Create(ctx, storage.NewMemory(), crypt.NewKeyFile(), store.CreateOptions{})
	if err != nil {
		log.Fatal(err)
	}
	defer r.Close()
	c, err := r.Capture(ctx, store.CaptureOptions{Volumes: []store.VolumeInput{{Name: "data", Open: openCatalogue}}})
	if err != nil {
		log.Fatal(err)
	}
	listing, err := r.OpenVolume(ctx, &c.Volumes[0])
	if err != nil {
		log.Fatal(err)
	}
	for m := range listing.Members() {
		fmt.Println(m.Path, m.Size)
	}
	content, err := listing.Open(ctx, "catalogue.csv")
	if err != nil {
		log.Fatal(err)
	}
	defer content.Close()
	part := make([]byte, 11)
	if _, err := content.ReadAt(part, 10); err != nil && err != io.EOF {
		log.Fatal(err)
	}
	fmt.Printf("%s\n", part)
	// Output:
	// catalogue.csv 21
	// barley,2003
}
