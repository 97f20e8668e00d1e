package store_test

//lint:file-ignore SA4006 README.md leaves it to its reader what to do with errors

import (
	"context"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// readme is the Go code of README.md, under "In a Go program", to be compiled.
func readme(ctx context.Context, key crypt.Secret) (*store.Capture, error) {
	// begin
	folder, err := storage.OpenFolder("/mnt/share/kist")
	r, err := store.Open(ctx, folder, key, store.OpenOptions{State: "/var/lib/seedtool"})
	c, err := r.Capture(ctx, store.CaptureOptions{
		Name: "seedbank", Version: "4.1.0",
		Volumes: []store.VolumeInput{{Name: "data", Source: "/srv/seedbank", Folder: &store.FolderInput{Path: "/srv/seedbank"}}},
	})
	// end
	return c, err
}

var _ = readme // it works on a folder that tests don't have

// TestReadmeCompiles compares README.md with it.
func TestReadmeCompiles(t *testing.T) {
	page, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	own, err := os.ReadFile("readme_test.go")
	if err != nil {
		t.Fatal(err)
	}
	compiled := regexp.MustCompile(`(?s)\n\t// begin\n(.*)\t// end\n`).FindSubmatch(own)
	shown := regexp.MustCompile("(?s)\n```go\n(.*?)```\n").FindAllSubmatch(page, -1)
	if len(shown) != 1 || compiled == nil {
		t.Fatalf("README.md has %d pieces of Go code, where one is compiled here", len(shown))
	}
	if want := strings.ReplaceAll("\n"+string(compiled[1]), "\n\t", "\n")[1:]; string(shown[0][1]) != want {
		t.Errorf("README.md has\n%s\nand what is compiled is\n%s", shown[0][1], want)
	}
}
