package store_test

import (
	"archive/tar"
	"bytes"
	"context"
	"fmt"
	"io"
	"log"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/rotation"
	"github.com/kistarchive/kist/store/storage"
)

// A tool captures a volume before an upgrade, and gets it back afterwards.
func Example() {
	ctx := context.Background()
	key := crypt.NewKeyFile() // save it with WriteTo, in a place of its own
	st := storage.NewMemory() // or storage.CreateFolder, with store.Folders
	r, err := store.Create(ctx, st, key, store.CreateOptions{})
	if err != nil {
		log.Fatal(err)
	}
	defer r.Close()

	captured, err := r.Capture(ctx, store.CaptureOptions{
		Name: "seedbank", Version: "4.1.0", Host: "hazel",
		Volumes: []store.VolumeInput{{Name: "data", MountPath: "/srv/seedbank", Open: openCatalogue}},
	})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(captured.Name, captured.Version, captured.Members, "members")

	found, err := r.Find(ctx, "seedbank@latest")
	if err != nil {
		log.Fatal(err)
	}
	var stream bytes.Buffer
	if err := r.Restore(ctx, &found.Volumes[0], &stream, store.RestoreOptions{}); err != nil {
		log.Fatal(err)
	}
	h, err := tar.NewReader(&stream).Next()
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(h.Name, h.Size)
	// Output:
	// seedbank 4.1.0 1 members
	// catalogue.csv 21
}

// A tool retires all captures of a service but the newest of each month, and frees
// the space of the others at once.
func ExampleRepository_Retire() {
	ctx := context.Background()
	r, err := store.Create(ctx, storage.NewMemory(), crypt.NewKeyFile(), store.CreateOptions{})
	if err != nil {
		log.Fatal(err)
	}
	defer r.Close()
	for _, taken := range []string{"2026-02-14", "2026-02-28", "2026-03-14"} {
		at, _ := time.Parse(time.DateOnly, taken)
		o := store.CaptureOptions{Name: "seedbank", Taken: at, Volumes: []store.VolumeInput{{Name: "data", Open: openCatalogue}}}
		if _, err := r.Capture(ctx, o); err != nil {
			log.Fatal(err)
		}
	}

	captures, err := r.Captures(ctx)
	if err != nil {
		log.Fatal(err)
	}
	plan, err := r.PlanRotation(captures, store.RotationOptions{Rules: rotation.Rules{Months: 12}})
	if err != nil {
		log.Fatal(err)
	}
	if err := r.Retire(ctx, plan.Retires(), store.MarkOptions{Host: "hazel", Reason: "one a month"}); err != nil {
		log.Fatal(err)
	}
	// Without NoGrace they could be taken back for a week: Reinstate.
	freed, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace})
	if err != nil {
		log.Fatal(err)
	}
	left, err := r.Captures(ctx)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(len(freed.Captures), "removed,", len(left), "left")
	// Output: 1 removed, 2 left
}

// openCatalogue gives a volume as a tar stream.
func openCatalogue(context.Context) (io.ReadCloser, error) {
	var buf bytes.Buffer
	w := tar.NewWriter(&buf)
	content := []byte("bean,1998\nbarley,2003\n")[:21]
	if err := w.WriteHeader(&tar.Header{Name: "catalogue.csv", Mode: 0o644, Size: int64(len(content))}); err != nil {
		return nil, err
	}
	if _, err := w.Write(content); err != nil {
		return nil, err
	}
	return io.NopCloser(&buf), w.Close()
}

// One member is read without the rest of the capture.
func ExampleRepository_OpenMember() {
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
	_, content, err := r.OpenMember(ctx, &c.Volumes[0], "catalogue.csv")
	if err != nil {
		log.Fatal(err)
	}
	defer content.Close()
	b, err := io.ReadAll(content)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%s\n", b[:9])
	// Output: bean,1998
}
