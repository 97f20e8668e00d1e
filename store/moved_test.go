package store_test

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"sync"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// readings are the ways to read a volume.
var readings = map[string]func(t *testing.T, r *store.Repository, v *store.Volume) error{
	"stream": func(t *testing.T, r *store.Repository, v *store.Volume) error {
		return r.Restore(t.Context(), v, io.Discard, store.RestoreOptions{})
	},
	"members": func(t *testing.T, r *store.Repository, v *store.Volume) error {
		_, err := r.RestoreMembers(t.Context(), v, func(path string) bool { return path == "b" }, io.Discard, store.RestoreOptions{})
		return err
	},
	"one member": func(t *testing.T, r *store.Repository, v *store.Volume) error {
		_, content, err := r.OpenMember(t.Context(), v, "b")
		if err != nil {
			return err
		}
		defer content.Close()
		_, err = io.Copy(io.Discard, content)
		return err
	},
	"opened": func(t *testing.T, r *store.Repository, v *store.Volume) error {
		l, err := r.OpenVolume(t.Context(), v)
		if err != nil {
			return err
		}
		content, err := l.Open(t.Context(), "b")
		if err != nil {
			return err
		}
		defer content.Close()
		_, err = io.Copy(io.Discard, content)
		return err
	},
	"list": func(t *testing.T, r *store.Repository, v *store.Volume) error {
		for _, err := range r.Members(t.Context(), v) {
			if err != nil {
				return err
			}
		}
		return nil
	},
}

// beside opens the repository once more, through calls that can be watched.
func (f *fixture) beside() (*storagetest.Faulty, *store.Repository) {
	f.t.Helper()
	watched := storagetest.NewFaulty(f.mem)
	r, err := store.Open(f.t.Context(), watched, f.key, store.OpenOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { r.Close() })
	return watched, r
}

// TestMoved reclaims just before the first slab is read of, with no grace time. A
// capture of two has one content of its own, and shares the other.
func TestMoved(t *testing.T) {
	shared, other := file{name: "b", content: random(2, 300_000)}, file{name: "a", content: random(1, 3<<20)}
	for name, read := range readings {
		for what, retired := range map[string]func(f *fixture, c, neighbour *store.Capture){
			"moved":   func(f *fixture, c, neighbour *store.Capture) { f.retire(neighbour) },
			"removed": func(f *fixture, c, neighbour *store.Capture) { f.retire(c, neighbour) },
		} {
			t.Run(name+" "+what, func(t *testing.T) {
				f := newFixture(t)
				neighbour := f.capture(tarOf(t, other, shared)) // wrote the slab
				mine := tarOf(t, shared, file{name: "c"})
				id := f.capture(mine).ID
				watched, r := f.beside()
				c, err := r.Find(t.Context(), id)
				if err != nil {
					t.Fatal(err)
				}
				once := newFirstCall()
				watched.Before(func(_ storagetest.Method, name string) {
					if strings.HasPrefix(name, "slabs/") {
						once.Do(func() {
							retired(f, c, neighbour)
							if done := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01}); done.Slabs == 0 {
								t.Errorf("nothing was reclaimed: %+v", done)
							}
						})
					}
				})
				err = read(t, r, &c.Volumes[0])
				if name == "list" && what == "moved" { // its slab is whole
					if err != nil {
						t.Error(err)
					}
					return
				}
				if !errors.Is(err, store.ErrMoved) || errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), id) {
					t.Fatalf("got %v", err)
				}
				again, err := r.Find(t.Context(), id)
				if what == "removed" {
					if !errors.Is(err, store.ErrNotFound) {
						t.Errorf("finding it again: %v", err)
					}
					return
				}
				if err != nil {
					t.Fatal(err)
				}
				var out bytes.Buffer
				if err := r.Restore(t.Context(), &again.Volumes[0], &out, store.RestoreOptions{}); err != nil || !bytes.Equal(out.Bytes(), mine) {
					t.Errorf("the second time: %d bytes, %v", out.Len(), err)
				}
			})
		}
	}
}

// TestMissingIsDamage loses slabs beside an index file that counts.
func TestMissingIsDamage(t *testing.T) {
	for name, read := range readings {
		f := newFixture(t)
		f.harmed = true
		c := f.capture(tarOf(t, file{name: "b", content: random(2, 300_000)}))
		infos, err := f.mem.List(t.Context(), "slabs")
		if err != nil {
			t.Fatal(err)
		}
		for _, info := range infos {
			if err := f.mem.Remove(t.Context(), info.Name); err != nil {
				t.Fatal(err)
			}
		}
		_, r := f.beside()
		if err := read(t, r, &c.Volumes[0]); !errors.Is(err, store.ErrDamaged) || errors.Is(err, store.ErrMoved) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestReadsOfOneMember counts what is read of slabs for one small member of many:
// what opens a slab, the frames of the member list, and one frame of contents.
func TestReadsOfOneMember(t *testing.T) {
	var files []file
	for i := range 60 {
		files = append(files, file{name: string(rune('A' + i)), content: random(byte(i), 400_000)})
	}
	files = append(files, file{name: "small", content: []byte("bean")})
	f := newFixture(t)
	id := f.capture(tarOf(t, files...)).ID
	// A slab is opened with two reads, and each frame is one. The table says what the chunks of
	// a member must be.
	most := map[string]int{"list": 2 + 1, "members": 2 + 1 + 2 + 1, "one": 2 + 1 + 2 + 1}
	for name, read := range map[string]func(r *store.Repository, v *store.Volume) error{
		"list": func(r *store.Repository, v *store.Volume) error { return readings["list"](t, r, v) },
		"members": func(r *store.Repository, v *store.Volume) error {
			n, err := r.RestoreMembers(t.Context(), v, func(path string) bool { return path == "small" }, io.Discard, store.RestoreOptions{})
			if n != 1 {
				t.Errorf("%d members", n)
			}
			return err
		},
		"one": func(r *store.Repository, v *store.Volume) error {
			_, content, err := r.OpenMember(t.Context(), v, "small")
			if err != nil {
				return err
			}
			defer content.Close()
			b, err := io.ReadAll(content)
			if string(b) != "bean" {
				t.Errorf("read %q", b)
			}
			return err
		},
	} {
		watched, r := f.beside()
		c, err := r.Find(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		var mu sync.Mutex
		reads := make(map[string]int)
		watched.Before(func(m storagetest.Method, name string) {
			mu.Lock()
			defer mu.Unlock()
			if m == storagetest.ReadAt {
				reads[strings.SplitN(name, "/", 2)[0]]++
			}
		})
		if err := read(r, &c.Volumes[0]); err != nil {
			t.Fatal(err)
		}
		tables := reads["tables"]
		delete(reads, "tables")
		if len(reads) != 1 || reads["slabs"] == 0 || reads["slabs"] > most[name] || tables > 1 {
			t.Errorf("%s: read %v and %d of tables, of slabs %d at most", name, reads, tables, most[name])
		}
	}
}
