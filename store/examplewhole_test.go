package store_test

import (
	"context"
	"errors"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/rotation"
	"github.com/kistarchive/kist/store/storage"
)

// A tool does all of its work with one repository: it opens it, captures a folder, lists what there
// is, chooses a capture, restores it, retires what its rules don't keep, and looks what that frees.
func Example_work() {
	ctx := context.Background() // its end stops whatever is under way
	home, key := exampleHome()
	defer os.RemoveAll(home)

	folder, err := storage.OpenFolder(filepath.Join(home, "repository"))
	if err != nil {
		log.Fatal(err)
	}
	defer folder.Close()
	r, err := store.Open(ctx, folder, key, store.OpenOptions{
		State: filepath.Join(home, "state"), // else all files are read each time
		Warn:  func(err error) { log.Print(err) },
	})
	if err != nil {
		log.Fatal(err)
	}
	defer r.Close()

	data := filepath.Join(home, "seedbank")
	for i, version := range []string{"4.0.0", "4.1.0", "4.1.0"} {
		_, err := r.Capture(ctx, store.CaptureOptions{
			Name: "seedbank", Version: version, Host: "hazel", Taken: time.Date(2026, 3, 14+i, 2, 3, 0, 0, time.UTC),
			Volumes: []store.VolumeInput{{Name: "data", Source: data, Folder: &store.FolderInput{Path: data}}},
		})
		if err != nil {
			log.Fatal(err)
		}
	}

	l, err := r.List(ctx)
	if err != nil {
		log.Fatal(err)
	}
	if l.Damage != nil {
		log.Print(l.Damage) // the others are listed all the same
	}
	for _, c := range l.Captures {
		fmt.Println(c.Version, c.Taken.Format(time.DateOnly), c.Members, "members")
	}

	before, err := l.Choose("seedbank@4.0.0", store.ChooseOptions{Host: "hazel", Location: time.UTC})
	if errors.Is(err, store.ErrAmbiguous) {
		log.Fatal("say which: ", err)
	}
	if err != nil {
		log.Fatal(err)
	}
	v, err := before.Volume("data")
	if err != nil {
		log.Fatal(err)
	}
	restored, err := r.RestoreFolder(ctx, []*store.Volume{v}, filepath.Join(home, "restored"), store.FolderOptions{})
	if err != nil {
		log.Fatal(err) // what was in the folder, if anything, is as it was
	}
	fmt.Println("restored", restored.Members, "members of", before.Version)

	plan, err := r.PlanRotation(l.Captures, store.RotationOptions{Rules: rotation.Rules{Last: 1, Versions: 1}, Now: before.Taken.AddDate(0, 1, 0)})
	if err != nil {
		log.Fatal(err)
	}
	if err := r.Retire(ctx, plan.Retires(), store.MarkOptions{Host: "hazel", Reason: "rotation"}); err != nil {
		log.Fatal(err)
	}
	would, err := r.Reclaim(ctx, store.ReclaimOptions{DryRun: true}) // nothing is removed
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(len(plan.Retires()), "retired;", len(would.Captures), "would be removed now,", would.Retired, "can be taken back")
	// Output:
	// 4.0.0 2026-03-14 2 members
	// 4.1.0 2026-03-15 2 members
	// 4.1.0 2026-03-16 2 members
	// restored 2 members of 4.0.0
	// 2 retired; 0 would be removed now, 2 can be taken back
}

// exampleHome gives a folder with a new repository and a service's data, and the key that opens it.
func exampleHome() (string, crypt.Secret) {
	home, err := os.MkdirTemp("", "seedtool")
	if err != nil {
		log.Fatal(err)
	}
	data, key := filepath.Join(home, "seedbank"), crypt.NewKeyFile()
	folder, err := storage.CreateFolder(filepath.Join(home, "repository"), store.Folders()...)
	if err != nil {
		log.Fatal(err)
	}
	r, err := store.Create(context.Background(), folder, key, store.CreateOptions{})
	if err = errors.Join(err, os.Mkdir(data, 0o700), os.WriteFile(filepath.Join(data, "catalogue.csv"), []byte("bean,1998\n"), 0o600)); err != nil {
		log.Fatal(err)
	}
	if err := errors.Join(r.Close(), folder.Close()); err != nil {
		log.Fatal(err)
	}
	return home, key
}
