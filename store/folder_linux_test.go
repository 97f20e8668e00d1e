package store_test

import (
	"os"
	"testing"

	"golang.org/x/sys/unix"

	"github.com/kistarchive/kist/store"
)

// TestMappedFile drafts a file while it is written through a memory map: a second
// write to a page that has not been flushed moves none of its times.
func TestMappedFile(t *testing.T) {
	dir := t.TempDir()
	write(t, dir+"/mapped", make([]byte, 4096))
	file, err := os.OpenFile(dir+"/mapped", os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	page, err := unix.Mmap(int(file.Fd()), 0, 4096, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED)
	if err != nil {
		t.Fatal(err)
	}
	copy(page, "version 1")
	f := newFixture(t)
	o := store.CaptureOptions{Volumes: []store.VolumeInput{{
		Name: "data", Source: dir, Folder: &store.FolderInput{Path: dir, Now: later},
	}}}
	if o.After, err = f.Draft(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	copy(page, "version 2")
	if err := unix.Munmap(page); err != nil {
		t.Fatal(err)
	}
	c, err := f.Capture(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	f.checkFolder(c, dir)
}
