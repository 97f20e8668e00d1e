package intake

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

const testMaxChunk = 64 << 10

// repo is what a session needs to know of a repository.
type repo struct {
	storage  storage.Storage
	id       crypt.RepositoryID
	keys     *crypt.Keys
	tables   int // named so far
	maxChunk int
	workers  int
	adopted  []*format.SlabRecord
	joined   []*format.SlabRecord
	apart    Apart
	parity   int
	deltas   Deltas
	old      func(context.Context, format.SlabID, uint32) (Old, error)
	flip     func(*frame)
	spoil    func(*frame)

	noRecheck bool

	puts       int
	slabTarget int

	more      func(context.Context) (*More, error)
	moreFrom  int64
	moreAtEnd bool
}

// newRepo gives a new repository in memory. Nothing that runs when the test
// ends may have been started by it.
func newRepo(t testing.TB) *repo {
	t.Helper()
	noLeaks(t)
	id := crypt.NewRepositoryID()
	keys, err := crypt.NewRootKey().Derive(id)
	if err != nil {
		t.Fatal(err)
	}
	return &repo{storage: storage.NewMemory(), id: id, keys: keys, maxChunk: testMaxChunk, workers: 2}
}

// noLeaks fails a test after which more goroutines are left than before.
func noLeaks(t testing.TB) {
	before := runtime.NumGoroutine()
	t.Cleanup(func() {
		for end := time.Now().Add(10 * time.Second); runtime.NumGoroutine() > before; runtime.Gosched() {
			if time.Now().After(end) {
				stacks := make([]byte, 1<<16)
				t.Errorf("%d goroutines before and %d after:\n%s", before, runtime.NumGoroutine(), stacks[:runtime.Stack(stacks, true)])
				return
			}
		}
	})
}

func (r *repo) start(t testing.TB, ctx context.Context, index *known.Index) *Intake {
	t.Helper()
	in, err := New(ctx, Config{
		Storage: r.storage, Repository: r.id, Keys: r.keys, Index: index,
		MaxChunk: r.maxChunk, Apart: r.apart, Parity: r.parity, Level: zstd.SpeedFastest, Workers: r.workers, Adopted: r.adopted, Joined: r.joined, TableName: r.tableName,
		Deltas: r.deltas, Old: r.old, flip: r.flip, spoil: r.spoil, NoRecheck: r.noRecheck, More: r.more, MoreFrom: r.moreFrom, MoreAtEnd: r.moreAtEnd,
		Puts: r.puts, slabTarget: r.slabTarget,
	})
	if err != nil {
		t.Fatal(err)
	}
	return in
}

func (r *repo) tableName() string {
	r.tables++
	return fmt.Sprintf("20260314t0203z-%04d", r.tables)
}

// putAll puts chunks until one fails.
func putAll(in *Intake, s *Stream, chunks ...[]byte) error {
	for _, c := range chunks {
		buf, err := in.Reserve()
		if err != nil {
			return err
		}
		in.Put(s, copy(buf, c))
	}
	return nil
}

func mustPut(t testing.TB, in *Intake, s *Stream, chunks ...[]byte) {
	t.Helper()
	if err := putAll(in, s, chunks...); err != nil {
		t.Fatal(err)
	}
}

func mustClose(t testing.TB, in *Intake) Written {
	t.Helper()
	w, err := in.Close()
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// noise gives n chunks that do not compress.
func noise(seed uint64, n, size int) [][]byte {
	r := rand.NewChaCha8([32]byte{byte(seed), byte(seed >> 8)})
	chunks := make([][]byte, n)
	for i := range chunks {
		chunks[i] = make([]byte, size)
		r.Read(chunks[i])
	}
	return chunks
}

func runsOf(t testing.TB, s *Stream) (runs []format.Run) {
	t.Helper()
	if err := s.Runs(func(r format.Run) error { runs = append(runs, r); return nil }); err != nil {
		t.Fatal(err)
	}
	return runs
}

func recipeOf(t testing.TB, s *Stream) *format.Recipe {
	t.Helper()
	r := s.Summary()
	r.Runs = runsOf(t, s)
	return &r
}

// slabRecords reads all tables, in order.
func (r *repo) slabRecords(t testing.TB) (all []*format.SlabRecord) {
	t.Helper()
	infos, err := r.storage.List(t.Context(), names.Tables)
	if err != nil {
		t.Fatal(err)
	}
	for _, info := range infos {
		all = append(all, r.table(t, info)...)
	}
	return all
}

func (r *repo) table(t testing.TB, info storage.Info) (all []*format.SlabRecord) {
	t.Helper()
	b := make([]byte, info.Size)
	if err := r.storage.ReadAt(t.Context(), info.Name, b, 0); err != nil {
		t.Fatal(err)
	}
	h, n, err := format.ParseHeader(b, format.Table)
	if err != nil {
		t.Fatal(err)
	}
	name := crypt.ObjectName{Repository: r.id, Kind: format.Table.String(), Name: info.Name[len(names.Table("")):]}
	opener, err := r.keys.NewOpener(name, h.Wrapping, h.Wrapped)
	if err != nil {
		t.Fatal(err)
	}
	for records := format.NewRecordReader(bytes.NewReader(b[n:]), opener); ; {
		plain, err := records.Next()
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		record, err := format.DecodeSlabRecord(plain)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, record)
	}
}

// unpadded gives frames without those that are padding.
func unpadded(frames []format.TableFrame) []format.TableFrame {
	return slices.DeleteFunc(slices.Clone(frames), func(f format.TableFrame) bool { return f.Padding })
}

// known gives an index of what the tables list.
func (r *repo) known(t testing.TB) *known.Index {
	t.Helper()
	x := known.New()
	for _, record := range r.slabRecords(t) {
		if err := x.AddSlab(record.Slab, record.Frames); err != nil {
			t.Fatal(err)
		}
	}
	return x
}

// distinct gives how many chunks the tables list, each counted once.
func (r *repo) distinct(t testing.TB) int {
	t.Helper()
	seen := map[crypt.Identity]bool{}
	for _, record := range r.slabRecords(t) {
		for i := range unpadded(record.Frames) {
			for c := range record.Frames[i].Chunks {
				seen[record.Frames[i].ID(c)] = true
			}
		}
	}
	return len(seen)
}

// listed gives the names of the objects in a folder.
func (r *repo) listed(t testing.TB, folder string) (all []string) {
	t.Helper()
	infos, err := r.storage.List(context.Background(), folder)
	if err != nil {
		t.Fatal(err)
	}
	for _, info := range infos {
		all = append(all, info.Name)
	}
	return all
}

// read gives the chunks that a recipe rebuilds.
func (r *repo) read(t testing.TB, recipe *format.Recipe) (chunks [][]byte) {
	t.Helper()
	slabs, err := fetch.New(r.storage, r.id, r.keys)
	if err != nil {
		t.Fatal(err)
	}
	defer slabs.Close()
	s := slabs.Stream(t.Context(), recipe)
	defer s.Close()
	for {
		c, err := s.Next()
		if err == io.EOF {
			return chunks
		}
		if err != nil {
			t.Fatal(err)
		}
		chunks = append(chunks, bytes.Clone(c.Data))
	}
}

func (r *repo) wantChunks(t testing.TB, recipe *format.Recipe, want [][]byte) {
	t.Helper()
	got := r.read(t, recipe)
	if len(got) != len(want) {
		t.Fatalf("%d chunks, want %d", len(got), len(want))
	}
	for i := range got {
		if !bytes.Equal(got[i], want[i]) {
			t.Fatalf("chunk %d of %d differs", i, len(got))
		}
	}
}

// wantIdentities tests that the runs of a stream name the given chunks by what the
// tables say. Nothing but tables is read.
func (r *repo) wantIdentities(t testing.TB, s *Stream, want [][]byte) {
	t.Helper()
	listed := map[format.SlabID][]crypt.Identity{}
	for _, record := range r.slabRecords(t) {
		for i := range record.Frames {
			for c := range record.Frames[i].Chunks {
				listed[record.Slab] = append(listed[record.Slab], record.Frames[i].ID(c))
			}
		}
	}
	var got []crypt.Identity
	for _, run := range runsOf(t, s) {
		for range run.Times {
			got = append(got, listed[run.Slab][run.First:run.First+run.Count]...)
		}
	}
	h := r.keys.NewHasher()
	if len(got) != len(want) {
		t.Fatalf("%d chunks, want %d", len(got), len(want))
	}
	for i := range want {
		if got[i] != h.Sum(want[i]) {
			t.Fatalf("chunk %d differs", i)
		}
	}
}

// wantWhole tests that every slab that a table lists is there and reads as the
// table says, and that every stored slab is in some table.
func (r *repo) wantWhole(t testing.TB) {
	t.Helper()
	slabs, err := fetch.New(r.storage, r.id, r.keys)
	if err != nil {
		t.Fatal(err)
	}
	defer slabs.Close()
	listed := map[string]bool{}
	for _, record := range r.slabRecords(t) {
		listed[names.Slab(record.Slab)] = true
		slab, err := slabs.Open(t.Context(), record.Slab)
		if err != nil {
			t.Fatal(err)
		}
		if uint64(slab.Length) != record.Length {
			t.Errorf("slab %v has %d bytes, the table says %d", record.Slab, slab.Length, record.Length)
		}
		err = slabs.Identify(t.Context(), slab, func(frame int, ids []crypt.Identity, err error) error {
			for i := range ids {
				if ids[i] != record.Frames[frame].ID(i) {
					t.Errorf("slab %v, frame %d, chunk %d: another identity", record.Slab, frame, i)
				}
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range r.listed(t, names.Slabs) {
		if !listed[name] {
			t.Errorf("%s is in no table", name)
		}
	}
}
