package store_test

import (
	"context"
	"fmt"
	"log"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// A second place gets what the first one has, and then what is new; it thins out by rules of its own.
func ExampleRepository_Replicate() {
	ctx := context.Background()
	first, err := store.Create(ctx, storage.NewMemory(), crypt.NewKeyFile(), store.CreateOptions{})
	if err != nil {
		log.Fatal(err)
	}
	defer first.Close()
	// In a program: storage.CreateFolder("/mnt/offsite/kist", store.Folders()...), and a secret of its own.
	second, err := store.CreateReplica(ctx, storage.NewMemory(), first, crypt.NewKeyFile(), store.ReplicaOptions{Host: "hazel"})
	if err != nil {
		log.Fatal(err)
	}
	defer second.Close()
	for range 2 {
		if _, err := first.Capture(ctx, store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream([]byte("bean,1998\n"))}}); err != nil {
			log.Fatal(err)
		}
		out, err := first.Replicate(ctx, second, store.ReplicateOptions{Host: "hazel", Where: "/mnt/offsite/kist"})
		if err != nil {
			log.Fatal(err)
		}
		fmt.Println(len(out.Sent), "sent,", out.Same, "were there, complete:", out.Complete())
	}
	// Output:
	// 1 sent, 0 were there, complete: true
	// 1 sent, 1 were there, complete: true
}
