package store_test

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"os"
	"path"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/klauspost/compress/gzip"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage"
)

var makeGolden = flag.Bool("golden", false, "make the latest of the golden repositories, if there is none")

// goldenPassphrase opens the golden repositories, as does the key file beside
// each.
const goldenPassphrase = "a bean is a bean"

// goldenCapture is what a golden repository must give back.
type goldenCapture struct {
	ID      string   `json:"id"`
	Volumes []string `json:"sha256"` // of the streams
	Paths   []string `json:"paths"`  // of the members of the first volume
	Held    bool     `json:"held,omitempty"`

	Amended   *goldenAmended `json:"amended,omitempty"`
	Rehearsed string         `json:"rehearsed,omitempty"` // the outcome
}

// goldenAmended is what an amended capture gives.
type goldenAmended struct {
	Version string            `json:"version"`
	Note    string            `json:"note"`
	Taken   string            `json:"taken"`
	Labels  map[string]string `json:"labels"`
	First   []string          `json:"first"` // version, note and time as first recorded
}

func (g *goldenAmended) String() string {
	if g == nil {
		return "as first recorded"
	}
	return fmt.Sprint(*g)
}

// goldens are the golden repositories, the latest last: one of each format version, and one
// of each release that added to it what writers put from then on.
var goldens = []struct {
	dir     string
	version int
}{
	{"../testdata/format1", 1},
	{"../testdata/format1-proofs", 1},  // padding, chains of captures, ends of marks, key slots of version 2
	{"../testdata/format1-amended", 1}, // amendments, rehearsals, a mark of what is harmed, a lease
	{"../testdata/format1-told", 1},    // what rehearsals and verifications found
	{"../testdata/format1-orders", 1},  // orders of members by path
	{"../testdata/format1-replica", 1}, // a second place: its mark, and what is elsewhere
	{"../testdata/format1-parity", 1},  // parity of slabs, second copies of small objects, settings
	{"../testdata/format1-several", 1}, // a bundle of index files, a retirement of several captures
	{"../testdata/format1-deltas", 1},  // frames that stand on others
}

// TestGolden reads the repository of every format version there has been.
func TestGolden(t *testing.T) {
	oneByOne(t)
	last := goldens[len(goldens)-1]
	if last.version != format.Version {
		t.Errorf("there is no golden repository of version %d", format.Version)
	}
	if *makeGolden {
		switch path.Base(last.dir) {
		case "format1-replica":
			writeGoldenReplica(t, last.dir)
		case "format1-parity":
			writeGoldenParity(t, last.dir)
		case "format1-several":
			writeGoldenSeveral(t, last.dir)
		case "format1-deltas":
			writeGoldenDeltas(t, last.dir)
		default:
			writeGolden(t, last.dir)
		}
	}
	for _, golden := range goldens {
		for _, secret := range []string{"passphrase", "key file"} {
			t.Run(path.Base(golden.dir)+" by "+secret, func(t *testing.T) { testGolden(t, golden.dir, secret) })
		}
	}
}

func testGolden(t *testing.T, dir, secret string) {
	folder, err := storage.OpenFolder(filepath.Join(dir, "repository"))
	if err != nil {
		t.Fatal(err)
	}
	defer folder.Close()
	r, err := store.Open(t.Context(), folder, goldenSecret(t, dir, secret), store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var want []goldenCapture
	b, err := os.ReadFile(filepath.Join(dir, "expected.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &want); err != nil || len(want) == 0 {
		t.Fatalf("%d captures expected: %v", len(want), err)
	}
	if got := describe(t, r); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	report, err := r.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil || !report.OK {
		t.Errorf("verify: %+v, %v", report, err)
	}
}

func goldenSecret(t *testing.T, dir, kind string) crypt.Secret {
	t.Helper()
	if kind == "passphrase" {
		p, err := crypt.NewPassphrase([]byte(goldenPassphrase))
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	f, err := os.Open(filepath.Join(dir, "key"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	k, err := crypt.ReadKeyFile(f)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// describe reads everything back.
func describe(t *testing.T, r *store.Repository) (out []goldenCapture) {
	t.Helper()
	captures, err := r.Captures(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range captures {
		g := goldenCapture{ID: c.ID, Held: c.Held, Amended: amendedGolden(c)}
		if c.Rehearsed != nil {
			g.Rehearsed = string(c.Rehearsed.Outcome)
		}
		for i := range c.Volumes {
			h := sha256.New()
			if err := r.Restore(t.Context(), &c.Volumes[i], h, store.RestoreOptions{}); err != nil {
				t.Fatal(err)
			}
			g.Volumes = append(g.Volumes, hex.EncodeToString(h.Sum(nil)))
		}
		for m, err := range r.Members(t.Context(), &c.Volumes[0]) {
			if err != nil {
				t.Fatal(err)
			}
			g.Paths = append(g.Paths, m.Path)
		}
		out = append(out, g)
	}
	return out
}

// amendedGolden gives what an amended capture gives, or nil.
func amendedGolden(c *store.Capture) *goldenAmended {
	a := c.Amended
	if a == nil {
		return nil
	}
	first := []string{*cmp.Or(a.Version, &c.Version), *cmp.Or(a.Note, &c.Note), cmp.Or(a.Taken, &c.Taken).Format(time.RFC3339Nano)}
	return &goldenAmended{c.Version, c.Note, c.Taken.Format(time.RFC3339Nano), c.Labels, first}
}

// writeGolden makes a small repository that has one of everything.
func writeGolden(t *testing.T, dir string) {
	t.Helper()
	folder, key := newGolden(t, dir)
	defer folder.Close()
	made := crypt.SlotOptions{Label: "golden", Made: time.Now()}
	r, err := store.Create(t.Context(), folder, key, store.CreateOptions{ChunkAverage: 8 << 10, Slot: made})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if _, err := r.AddSlot(t.Context(), goldenSecret(t, dir, "passphrase"), made); err != nil {
		t.Fatal(err)
	}
	captureGolden(t, r, goldenVolumes(t))
	markGolden(t, r)
	amendGolden(t, r, folder)
	expectGolden(t, dir, r)
}

// newGolden makes the folder of a golden repository, and its key file.
func newGolden(t *testing.T, dir string) (*storage.Folder, *crypt.KeyFile) {
	t.Helper()
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err) // golden repositories are never written over
	}
	folder, err := storage.CreateFolder(filepath.Join(dir, "repository"), store.Folders()...)
	if err != nil {
		t.Fatal(err)
	}
	key := crypt.NewKeyFile()
	var raw bytes.Buffer
	if _, err := key.WriteTo(&raw); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "key"), raw.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return folder, key
}

// captureGolden has the captures made that golden repositories have, of the volumes of goldenVolumes.
func captureGolden(t *testing.T, r *store.Repository, captures [][]store.VolumeInput) {
	t.Helper()
	for i, volumes := range captures {
		_, err := r.Capture(t.Context(), store.CaptureOptions{
			Name: "seedbank", Version: fmt.Sprintf("4.1.%d", i), Host: "hazel", Note: "golden",
			Labels: map[string]string{"shelf": "3"}, AcceptUnfinished: true,
			Taken:   time.Date(2026, 3, 14, 2, i, 0, 0, time.UTC),
			Volumes: volumes,
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

// expectGolden writes down what a golden repository gives back.
func expectGolden(t *testing.T, dir string, r *store.Repository) {
	t.Helper()
	b, err := json.MarshalIndent(describe(t, r), "", " ")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "expected.json"), append(b, '\n'), 0o644); err != nil {
		t.Fatal(err)
	}
}

// markGolden has one of every mark put: the first capture was held, the second one retired,
// and both were taken back; a third one was removed, and the second one is held.
func markGolden(t *testing.T, r *store.Repository) {
	t.Helper()
	ctx, o := t.Context(), store.MarkOptions{Host: "hazel", Reason: "golden"}
	gone, err := captureWith(ctx, r, []byte("a third capture"))
	if err != nil {
		t.Fatal(err)
	}
	all, err := r.Captures(ctx)
	if err != nil {
		t.Fatal(err)
	}
	first, second := []string{all[0].ID}, []string{all[1].ID}
	for _, step := range []func() error{
		func() error { return r.Hold(ctx, first, o) },
		func() error { return r.Release(ctx, first) },
		func() error { return r.Retire(ctx, second, o) },
		func() error { return r.Reinstate(ctx, second, o) },
		func() error { return r.Hold(ctx, second, o) },
		func() error { return r.Retire(ctx, []string{gone.ID}, o) },
		func() error { _, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace}); return err },
		func() error {
			return r.NoteRehearsal(ctx, second[0], store.Rehearsal{Outcome: store.RehearsedUp, Took: time.Second, Host: "hazel", Checked: []string{"one volume"}})
		},
		func() error {
			_, err := r.Verify(ctx, store.VerifyOptions{Full: true, Keep: true, Host: "hazel"})
			return err
		},
	} {
		if err := step(); err != nil {
			t.Fatal(err)
		}
	}
}

// amendGolden amends and rehearses what there is, and leaves a mark of what is harmed, though the slab was
// put back since, and the lease of somebody who was killed.
func amendGolden(t *testing.T, r *store.Repository, folder *storage.Folder) {
	t.Helper()
	ctx := t.Context()
	all, err := r.Captures(ctx)
	if err != nil {
		t.Fatal(err)
	}
	first, second, empty, version := all[0].ID, all[1].ID, "", "4.0.9"
	for _, step := range []func() error{
		func() error {
			_, err := r.Amend(ctx, first, store.AmendOptions{Version: &version, Taken: time.Date(2025, 3, 14, 2, 3, 4, 5e6, time.UTC), Host: "hazel"})
			return err
		},
		func() error {
			_, err := r.Amend(ctx, first, store.AmendOptions{Note: &empty, Labels: map[string]string{"site": "barn"}, RemoveLabels: []string{"shelf"}})
			return err
		},
		func() error {
			return r.NoteRehearsal(ctx, first, store.Rehearsal{Outcome: store.RehearsedUp, Took: time.Minute, Host: "hazel", Checked: []string{"401 members"}})
		},
		func() error {
			return r.NoteRehearsal(ctx, second, store.Rehearsal{Outcome: store.RehearsedDown, Fault: "golden"})
		},
		func() error { return harmGolden(ctx, r, folder) },
		func() error { return leaseGolden(ctx, r, folder) },
	} {
		if err := step(); err != nil {
			t.Fatal(err)
		}
	}
}

// harmGolden changes a slab, has that marked, and puts the slab back as it was.
func harmGolden(ctx context.Context, r *store.Repository, folder *storage.Folder) error {
	slabs, err := folder.List(ctx, "slabs")
	if err != nil {
		return err
	}
	slab := slices.MaxFunc(slabs, func(a, b storage.Info) int { return cmp.Compare(a.Size, b.Size) })
	whole := make([]byte, slab.Size)
	if err := errors.Join(folder.ReadAt(ctx, slab.Name, whole, 0), folder.Remove(ctx, slab.Name)); err != nil {
		return err
	}
	harmed := bytes.Clone(whole)
	harmed[200] ^= 1
	if err := folder.Put(ctx, slab.Name, bytes.NewReader(harmed)); err != nil {
		return err
	}
	if _, err := r.Repair(ctx, store.RepairOptions{}); err != nil {
		return err
	}
	return errors.Join(folder.Remove(ctx, slab.Name), folder.Put(ctx, slab.Name, bytes.NewReader(whole)))
}

// leaseGolden puts the lease of a capture again once it has ended.
func leaseGolden(ctx context.Context, r *store.Repository, folder *storage.Folder) error {
	left := make(map[string][]byte)
	_, err := r.Draft(ctx, store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{{Open: func(ctx context.Context) (io.ReadCloser, error) {
		leases, err := folder.List(ctx, "leases")
		for _, l := range leases {
			b := make([]byte, l.Size)
			err = errors.Join(err, folder.ReadAt(ctx, l.Name, b, 0))
			left[l.Name] = b
		}
		return io.NopCloser(bytes.NewReader(nil)), err
	}}}})
	for name, b := range left {
		err = errors.Join(err, folder.Mark(ctx, name, b))
	}
	return err
}

// goldenVolumes gives the volumes of successive captures: files of which every
// second one changes (so that the recipe is too long to stand in the index
// file), a long stretch of zeros, a compressed tar stream, one cut short,
// plain contents, none, and a folder.
func goldenVolumes(t *testing.T) [][]store.VolumeInput {
	var captures [][]store.VolumeInput
	folder := goldenFolder(t)
	for version := range 2 {
		files := []file{{name: "zeros", content: make([]byte, 100_000)}}
		for i := range 400 {
			files = append(files, file{name: fmt.Sprintf("shelf/%03d", i), content: fmt.Appendf(nil, "lot %d, version %d\n", i, i%2*version)})
		}
		data := tarOf(t, files...)
		var zipped bytes.Buffer
		z := gzip.NewWriter(&zipped)
		z.Write(tarOf(t, file{name: "settings", content: []byte("shelves = 3\n")}))
		z.Close()
		captures = append(captures, []store.VolumeInput{
			named("data", data), named("zipped", zipped.Bytes()),
			named("short", data[:700]), named("dump", []byte("-- catalogue\n")), named("empty", nil),
			{Name: "folder", Source: "/srv/seedbank", Folder: &store.FolderInput{Path: folder}},
			named("sorted", goldenMembers(t, 3000, false)), named("mixed", goldenMembers(t, 500, true)),
		})
	}
	return captures
}

// goldenMembers gives a stream of so many members without contents, which has an order; sorted, or mixed.
func goldenMembers(t *testing.T, n int, mixed bool) []byte {
	files := make([]file, n)
	for i := range files {
		k := i
		if mixed {
			k = i * 7 % n
		}
		files[i] = file{name: fmt.Sprintf("./beds/%02d/plant-%d", k/100, 100+k%100)}
	}
	return tarOf(t, files...)
}

// goldenFolder has a file, a link, and a socket, which a capture warns of.
func goldenFolder(t *testing.T) string {
	dir := t.TempDir()
	write(t, dir+"/shelf/bean", []byte("a bean\n"))
	if err := os.Symlink("shelf/bean", dir+"/latest"); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("unix", dir+"/socket")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return dir
}

func named(name string, b []byte) store.VolumeInput {
	return store.VolumeInput{Name: name, MountPath: "/srv/" + name, Source: name, Open: func(context.Context) (io.ReadCloser, error) {
		return io.NopCloser(bytes.NewReader(b)), nil
	}}
}
