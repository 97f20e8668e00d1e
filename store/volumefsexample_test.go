package store_test

import (
	"context"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// A tool serves what a capture holds over HTTP, without restoring it. Whoever reaches that address reads
// all of it: serve it to this machine alone, or ask who it is.
func ExampleRepository_FS() {
	ctx := context.Background()
	r, err := store.Create(ctx, storage.NewMemory(), crypt.NewKeyFile(), store.CreateOptions{})
	if err != nil {
		log.Fatal(err)
	}
	defer r.Close()
	captured, err := r.Capture(ctx, store.CaptureOptions{
		Name: "seedbank", Volumes: []store.VolumeInput{{Name: "data", Open: openCatalogue}},
	})
	if err != nil {
		log.Fatal(err)
	}

	fsys, err := r.FS(ctx, &captured.Volumes[0])
	if err != nil {
		log.Fatal(err)
	}
	server := httptest.NewServer(http.FileServerFS(fsys)) // an *http.Server in a tool
	defer server.Close()

	request, _ := http.NewRequest("GET", server.URL+"/catalogue.csv", nil)
	request.Header.Set("Range", "bytes=0-3") // files can be read from anywhere
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		log.Fatal(err)
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	fmt.Println(answer.StatusCode, answer.Header.Get("Content-Range"), string(b), err)
	// Output: 206 bytes 0-3/21 bean <nil>
}
