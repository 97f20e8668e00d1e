package store_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
)

// unlike gives n bytes that no compressor shortens, the same for the same seed.
func unlike(seed uint64, n int) []byte {
	b := make([]byte, n)
	var s [32]byte
	binary.LittleEndian.PutUint64(s[:], seed)
	rand.NewChaCha8(s).Read(b)
	return b
}

// history gives versions of what a service keeps, each a tar stream.
type history func(t *testing.T) [][]byte

// sourceTree is a tree of many small files: in each version some are changed, some are added, some go and some are renamed.
func sourceTree(t *testing.T) (versions [][]byte) {
	random := rand.New(rand.NewPCG(1, 2))
	files := map[string][]byte{}
	for i := range 1000 {
		files[fmt.Sprintf("src/d%02d/f%d.go", i%50, i)] = unlike(uint64(i), 300+random.IntN(4000))
	}
	for v := range 4 {
		var all []file
		for _, name := range slices.Sorted(maps.Keys(files)) {
			all = append(all, file{name: name, content: files[name]})
		}
		versions = append(versions, tarOf(t, all...))
		for i, f := range all {
			switch random.IntN(100) {
			case 0, 1, 2:
				changed := slices.Clone(f.content)
				copy(changed[random.IntN(len(changed)):], fmt.Sprintf("version %d", v))
				files[f.name] = changed
			case 3:
				delete(files, f.name)
				files[f.name+".moved"] = f.content
			case 4:
				files[f.name+fmt.Sprint(v)] = unlike(uint64(100_000*(v+1)+i), 300+random.IntN(4000))
			}
		}
	}
	return versions
}

// database is one file of which pages change here and there.
func database(t *testing.T) (versions [][]byte) {
	random := rand.New(rand.NewPCG(3, 4))
	pages := unlike(1, 6<<20)
	for v := range 4 {
		versions = append(versions, tarOf(t, file{name: "catalogue.db", content: slices.Clone(pages)}))
		for i := range 40 {
			copy(pages[random.IntN(len(pages)/4096)*4096:], unlike(uint64(1000*v+i+2), 4096))
		}
	}
	return versions
}

// mailServer has a log that grows, letters that come and go, and an archive that is packed anew behind what came before it.
func mailServer(t *testing.T) (versions [][]byte) {
	random := rand.New(rand.NewPCG(5, 6))
	log, archive := unlike(1, 1<<20), unlike(2, 4<<20)
	letters := map[string][]byte{}
	for v := range 4 {
		for i := range 200 {
			letters[fmt.Sprintf("mail/%d-%d", i%40, 1000*v+i)] = unlike(uint64(1000*v+i+10), 500+random.IntN(20_000))
		}
		all := []file{{name: "archive", content: archive}, {name: "log", content: log}}
		for _, name := range slices.Sorted(maps.Keys(letters)) {
			if random.IntN(10) == 0 {
				delete(letters, name)
				continue
			}
			all = append(all, file{name: name, content: letters[name]})
		}
		versions = append(versions, tarOf(t, all...))
		log = append(log, unlike(uint64(50_000+v), 100_000)...)
		archive = slices.Concat(unlike(uint64(60_000+v), 70_000), archive)
	}
	return versions
}

// stored is a repository as it lies in a storage.
type stored struct {
	key     *crypt.KeyFile
	objects map[string][]byte
}

// fullOfOthers gives a repository of another machine, with tiny files: more chunks than are known one by one.
func fullOfOthers(t *testing.T) stored {
	f := newFixture(t)
	all := make([]file, 25_000)
	for i := range all {
		all[i] = file{name: fmt.Sprintf("d%d/f%d", i/500, i), content: unlike(uint64(i)+1<<40, 24)}
	}
	_, err := f.Capture(t.Context(), store.CaptureOptions{Name: "herbarium", Host: "mill", Volumes: []store.VolumeInput{stream(tarOf(t, all...))}})
	if err != nil {
		t.Fatal(err)
	}
	return stored{f.key, objects(t, f.mem)}
}

// captureAll captures versions beside what is stored, by a repository that is opened anew for each, and gives how many
// bytes that took.
func captureAll(t *testing.T, before stored, versions [][]byte, o store.OpenOptions) (took int64) {
	t.Helper()
	mem := memoryOf(t, before.objects)
	for i, v := range versions {
		r, err := store.Open(t.Context(), mem, before.key, o)
		if err != nil {
			t.Fatal(err)
		}
		c, err := r.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Host: "hazel", Version: fmt.Sprint(i), Volumes: []store.VolumeInput{stream(v)}})
		if err != nil {
			t.Fatal(err)
		}
		took += int64(c.Added)
		if want := o.IndexMemory > 0; store.IsSampled(t, r) != want {
			t.Fatalf("samples are kept: %v, want %v", !want, want)
		}
		var got bytes.Buffer
		if err := errors.Join(r.Restore(t.Context(), &c.Volumes[0], &got, store.RestoreOptions{}), r.Close()); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got.Bytes(), v) {
			t.Errorf("version %d: %d bytes are restored, which are not the %d that were captured", i, got.Len(), len(v))
		}
	}
	return took
}

// An index that knows one identity in 16 of what there is, and loads what the capture before consists of, finds nearly all
// that is there: of what an index of all finds, less than 1 % is stored once more. It makes no difference whether the
// machine knows what its last capture relies on, or reads that from the repository. Where not all of that can be loaded,
// the place in the capture before tells what to load.
func TestSampledIndex(t *testing.T) {
	oneByOne(t)
	others := fullOfOthers(t)
	for name, of := range map[string]history{"source tree": sourceTree, "database": database, "mail server": mailServer} {
		t.Run(name, func(t *testing.T) {
			versions := of(t)
			all := int64(0)
			for _, v := range versions {
				all += int64(len(v))
			}
			whole := captureAll(t, others, versions, store.OpenOptions{})
			for _, test := range []struct {
				machine string
				o       store.OpenOptions
				most    float64
			}{
				{"knows its last capture", store.OpenOptions{IndexMemory: sampledMemory, Cache: privateDir(t), State: privateDir(t)}, 0.01},
				{"knows nothing", store.OpenOptions{IndexMemory: sampledMemory}, 0.01},
				{"has less memory than its service takes", store.OpenOptions{IndexMemory: sampledMemory / 3}, 0.03},
			} {
				sampled := captureAll(t, others, versions, test.o)
				missed := float64(sampled-whole) / float64(all-whole)
				t.Logf("a machine that %s: of %d bytes %d are stored with all known, %d with samples: %.2f %% of what came again", test.machine, all, whole, sampled, 100*missed)
				if missed > test.most {
					t.Errorf("a machine that %s: %.2f %% of what came again is stored once more", test.machine, 100*missed)
				}
			}
		})
	}
}

// sampledMemory is that of 22,000 chunks, and of 3,000 that are loaded.
const sampledMemory = 600_000

// privateDir gives a folder that nobody else can write, as caches must be.
func privateDir(t *testing.T) string {
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	return dir
}
