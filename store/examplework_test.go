package store_test

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// shelved is one member of a volume.
type shelved struct{ name, content string }

// exampleRepository makes one in memory. A program uses storage.OpenFolder and store.Open.
func exampleRepository() (*store.Repository, *storage.Memory) {
	st := storage.NewMemory()
	r, err := store.Create(context.Background(), st, crypt.NewKeyFile(), store.CreateOptions{})
	if err != nil {
		log.Fatal(err)
	}
	return r, st
}

// exampleCapture captures files as the volume of seedbank.
func exampleCapture(r *store.Repository, version string, files ...shelved) *store.Capture {
	c, err := r.Capture(context.Background(), store.CaptureOptions{
		Name: "seedbank", Version: version, Host: "hazel",
		Volumes: []store.VolumeInput{{Name: "data", Open: func(context.Context) (io.ReadCloser, error) { return streamOf(files) }}},
	})
	if err != nil {
		log.Fatal(err)
	}
	return c
}

func streamOf(files []shelved) (io.ReadCloser, error) {
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	for _, f := range files {
		if err := w.WriteHeader(&tar.Header{Name: f.name, Mode: 0o644, Size: int64(len(f.content))}); err != nil {
			return nil, err
		}
		if _, err := io.WriteString(w, f.content); err != nil {
			return nil, err
		}
	}
	return io.NopCloser(&b), w.Close()
}

func ExampleRepository_Members() {
	r, _ := exampleRepository()
	defer r.Close()
	c := exampleCapture(r, "4.1.0", shelved{"catalogue.csv", "bean,1998\n"}, shelved{"config.toml", "port = 8080\n"})

	for m, err := range r.Members(context.Background(), &c.Volumes[0]) {
		if err != nil {
			log.Fatal(err) // the sequence ends here
		}
		fmt.Println(m.Path, m.Mode, m.Size)
	}
	// Output:
	// catalogue.csv -rw-r--r-- 10
	// config.toml -rw-r--r-- 12
}

// Only what changed shows, and how much of it is new.
func ExampleRepository_Compare() {
	r, _ := exampleRepository()
	defer r.Close()
	before := exampleCapture(r, "4.1.0", shelved{"catalogue.csv", "bean,1998\n"}, shelved{"config.toml", "port = 8080\n"}, shelved{"old.log", "started\n"})
	after := exampleCapture(r, "4.2.0", shelved{"catalogue.csv", "bean,1998\nbarley,2003\n"}, shelved{"config.toml", "port = 8080\n"}, shelved{"photo.jpg", "a bean"})

	for d, err := range r.Compare(context.Background(), before, after, store.CompareOptions{}) {
		switch {
		case err != nil:
			log.Fatal(err)
		case d.Was == nil:
			fmt.Println("added", d.Path, d.Bytes)
		case d.Is == nil:
			fmt.Println("gone", d.Path, d.Bytes)
		default:
			fmt.Println("changed", d.Path, d.Bytes)
		}
	}
	// Output:
	// changed catalogue.csv 22
	// added photo.jpg 6
	// gone old.log 8
}

// What a service's last capture has otherwise than the one before it, in a few lines.
func ExampleSummarize() {
	r, _ := exampleRepository()
	defer r.Close()
	exampleCapture(r, "4.1.0", shelved{"catalogue.csv", "bean,1998\n"}, shelved{"old.log", "started\n"})
	exampleCapture(r, "4.2.0", shelved{"catalogue.csv", "bean,1998\nbarley,2003\n"}, shelved{"photo.jpg", "a bean"})

	captures, err := r.Captures(context.Background())
	if err != nil {
		log.Fatal(err)
	}
	for _, pair := range store.LatestPairs(captures, time.Now()) {
		s, err := store.Summarize(r.Compare(context.Background(), pair.Was, pair.Is, store.CompareOptions{}), 1)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%s to %s: %d members differ\n", pair.Was.Version, pair.Is.Version, s.Totals.Members())
		fmt.Printf("%d bytes came, %d are gone; the most in %s\n", s.Totals.NewBytes, s.Totals.GoneBytes, s.Biggest[0].Path)
	}
	// Output:
	// 4.1.0 to 4.2.0: 3 members differ
	// 28 bytes came, 8 are gone; the most in catalogue.csv
}

// What both captures have, neither keeps alone.
func ExampleRepository_Usage() {
	r, _ := exampleRepository()
	defer r.Close()
	catalogue := shelved{"catalogue.csv", strings.Repeat("bean,1998\n", 10_000)}
	exampleCapture(r, "4.1.0", catalogue)
	exampleCapture(r, "4.2.0", catalogue, shelved{"photo.jpg", string(random(1, 50_000))})

	u, err := r.Usage(context.Background())
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println("stored less than captured:", u.Stored < u.Captured)
	for _, c := range u.Captures {
		fmt.Printf("%s: alone keeps the photo: %t\n", c.Version, c.Alone > 50_000)
	}
	// Output:
	// stored less than captured: true
	// 4.1.0: alone keeps the photo: false
	// 4.2.0: alone keeps the photo: true
}

// Damage is in the report, and no error. Members that were compressed together are
// harmed together.
func ExampleRepository_Verify() {
	ctx := context.Background()
	r, st := exampleRepository()
	defer r.Close()
	c := exampleCapture(r, "4.1.0", shelved{"config.toml", "port = 8080\n"}, shelved{"photo.jpg", string(random(1, 50_000))})
	slab := largestSlab(st)
	flipByte(st, slab) // as a disk does that ages

	report, err := r.Verify(ctx, store.VerifyOptions{Full: true})
	if err != nil {
		log.Fatal(err) // it could not go on
	}
	for _, d := range report.Damage {
		fmt.Println("the slab:", d.Object == slab, "harms the capture:", d.Captures[0] == c.ID)
		for _, m := range d.Members {
			fmt.Println("member", m.Path)
		}
	}
	// Output:
	// the slab: true harms the capture: true
	// member config.toml
	// member photo.jpg
}

// What a service still has is captured once more, and heals the older capture.
func ExampleRepository_Repair() {
	ctx := context.Background()
	r, st := exampleRepository()
	defer r.Close()
	catalogue := shelved{"catalogue.csv", string(random(1, 50_000))}
	first := exampleCapture(r, "4.1.0", catalogue)
	flipByte(st, largestSlab(st))

	repaired, err := r.Repair(ctx, store.RepairOptions{}) // marks what is harmed
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println("mended:", repaired.Mended())
	for _, lost := range repaired.Lost {
		fmt.Println("harmed:", lost.Path)
	}

	exampleCapture(r, "4.1.0", catalogue) // so that this stores it again
	if repaired, err = r.Repair(ctx, store.RepairOptions{}); err != nil {
		log.Fatal(err)
	}
	fmt.Println("mended:", repaired.Mended(), "healed the first:", repaired.Healed[0] == first.ID)
	// Output:
	// mended: false
	// harmed: catalogue.csv
	// mended: true healed the first: true
}

// Space is freed in two steps: what was retired can be taken back for a grace time.
func ExampleRepository_Reclaim() {
	ctx := context.Background()
	r, _ := exampleRepository()
	defer r.Close()
	old := exampleCapture(r, "4.1.0", shelved{"photo.jpg", string(random(1, 50_000))})
	exampleCapture(r, "4.2.0", shelved{"catalogue.csv", "bean,1998\n"})
	if err := r.Retire(ctx, []string{old.ID}, store.MarkOptions{Host: "hazel", Reason: "upgraded long ago"}); err != nil {
		log.Fatal(err)
	}

	freed, err := r.Reclaim(ctx, store.ReclaimOptions{Host: "hazel"})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(len(freed.Captures), "removed,", freed.Retired, "within the grace time")

	// For whoever needs the space now, and takes nothing back:
	if freed, err = r.Reclaim(ctx, store.ReclaimOptions{Host: "hazel", Grace: store.NoGrace}); err != nil {
		log.Fatal(err)
	}
	fmt.Println(len(freed.Captures), "removed, the photo freed:", freed.Freed > 50_000)
	// Output:
	// 0 removed, 1 within the grace time
	// 1 removed, the photo freed: true
}

// A service is down only while what changed since the draft is read.
func ExampleRepository_Draft() {
	ctx := context.Background()
	r, _ := exampleRepository()
	defer r.Close()
	data, err := os.MkdirTemp("", "seedbank")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(data)
	write := func(name, content string) error {
		return os.WriteFile(filepath.Join(data, name), []byte(content), 0o600)
	}
	if err := errors.Join(write("catalogue.csv", "bean,1998\n"), write("config.toml", "port = 8080\n")); err != nil {
		log.Fatal(err)
	}

	o := store.CaptureOptions{
		Name: "seedbank", Version: "4.1.0", Host: "hazel",
		Volumes: []store.VolumeInput{{Name: "data", Source: data, Folder: &store.FolderInput{Path: data}}},
	}
	draft, err := r.Draft(ctx, o) // while the service runs
	if err != nil {
		log.Fatal(err)
	}
	captures, err := r.Captures(ctx)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(len(captures), "captures after the draft")

	// Here the service is stopped; it wrote until then.
	if err := write("catalogue.csv", "bean,1998\nbarley,2003\n"); err != nil {
		log.Fatal(err)
	}
	o.After = draft
	c, err := r.Capture(ctx, o)
	if err != nil {
		log.Fatal(err)
	}
	// And here it is started again.
	_, content, err := r.OpenMember(ctx, &c.Volumes[0], "catalogue.csv")
	if err != nil {
		log.Fatal(err)
	}
	defer content.Close()
	b, err := io.ReadAll(content)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%s", b)
	// Output:
	// 0 captures after the draft
	// bean,1998
	// barley,2003
}

// largestSlab gives the name of the largest slab.
func largestSlab(st *storage.Memory) string {
	infos, err := st.List(context.Background(), "slabs")
	if err != nil {
		log.Fatal(err)
	}
	largest := infos[0]
	for _, info := range infos {
		if info.Size > largest.Size {
			largest = info
		}
	}
	return largest.Name
}

// flipByte changes a byte of an object, as a disk may.
func flipByte(st *storage.Memory, name string) {
	ctx := context.Background()
	info, err := st.Stat(ctx, name)
	if err != nil {
		log.Fatal(err)
	}
	b := make([]byte, info.Size)
	if err := errors.Join(st.ReadAt(ctx, name, b, 0), st.Remove(ctx, name)); err != nil {
		log.Fatal(err)
	}
	b[20_000] ^= 1
	if err := st.Put(ctx, name, bytes.NewReader(b)); err != nil {
		log.Fatal(err)
	}
}
