package storage_test

import (
	"context"
	"errors"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"strings"

	"github.com/kistarchive/kist/store/storage"
)

func ExampleFolder() {
	ctx := context.Background()
	share, err := os.MkdirTemp("", "share")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(share)

	folder, err := storage.CreateFolder(filepath.Join(share, "seedbank"), "captures", "leases")
	if err != nil {
		log.Fatal(err)
	}
	defer folder.Close()

	const name = "captures/20260314t0203z-k7f3"
	if err := folder.Put(ctx, name, strings.NewReader("beans, peas, lentils")); err != nil {
		log.Fatal(err)
	}
	part := make([]byte, 4)
	if err := folder.ReadAt(ctx, name, part, 7); err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%s\n", part)

	err = folder.Mark(ctx, "leases/hazel", []byte("first"))
	fmt.Println("first:", err)
	err = folder.Mark(ctx, "leases/hazel", []byte("second"))
	fmt.Println("second exists:", errors.Is(err, storage.ErrExists))

	infos, err := folder.List(ctx, "")
	if err != nil {
		log.Fatal(err)
	}
	for _, info := range infos {
		fmt.Println(info.Name, info.Size)
	}
	// Output:
	// peas
	// first: <nil>
	// second exists: true
	// captures/20260314t0203z-k7f3 20
	// leases/hazel 5
}
