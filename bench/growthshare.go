package main

import (
	"context"
	"errors"
	"os"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// grown is a repository with some captures, and the key to it.
type grown struct {
	disk  *storagetest.Disk
	key   *crypt.KeyFile
	clock time.Time
}

// newGrown makes a repository without captures. Its contents are stored by others that are alike as deltas says.
func newGrown(ctx context.Context, deltas store.Deltas) (*grown, error) {
	g := &grown{storagetest.NewDisk(0), crypt.NewKeyFile(), time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)}
	folder, err := g.disk.Create(store.Folders()...)
	if err != nil {
		return nil, err
	}
	defer folder.Close()
	made, err := store.Create(ctx, folder, g.key, store.CreateOptions{Deltas: deltas})
	if err != nil {
		return nil, err
	}
	return g, made.Close()
}

// fork gives a copy, at a later time by the medium's clock.
func (g *grown) fork(later time.Duration) *grown {
	copied := &grown{g.disk.Fork(), g.key, g.clock.Add(later)}
	copied.set()
	return copied
}

// set sets the medium's clock.
func (g *grown) set() {
	now := g.clock
	g.disk.SetNow(func() time.Time { return now })
}

// share gives the repository as a share has it.
func (g *grown) share() *storagetest.Share { return storagetest.NewShare(g.disk.Place()) }

// with opens the repository over a share, with a cache, and runs f.
func (g *grown) with(ctx context.Context, sh *storagetest.Share, cache string, f func(*store.Repository) error) error {
	folder, err := storage.OpenFolderAt(sh)
	if err != nil {
		return err
	}
	defer folder.Close()
	r, err := store.Open(ctx, folder, g.key, store.OpenOptions{Cache: cache, State: cache + "-state"})
	if err != nil {
		return err
	}
	defer r.Close()
	return f(r)
}

// known gives the folders in which this machine keeps what it knows.
func known(cache string) []string { return []string{cache, cache + "-state"} }

func removeTrees(folders []string) (err error) {
	for _, f := range folders {
		err = errors.Join(err, os.RemoveAll(f))
	}
	return err
}

// copyTrees copies folders in the place of others.
func copyTrees(from, to []string) error {
	err := removeTrees(to)
	for i, f := range from {
		err = errors.Join(err, os.CopyFS(to[i], os.DirFS(f)), os.Chmod(to[i], 0o700))
	}
	return err
}

// objects lists what the repository holds.
func (g *grown) objects(ctx context.Context) ([]storage.Info, error) {
	folder, err := g.disk.Open()
	if err != nil {
		return nil, err
	}
	defer folder.Close()
	return folder.List(ctx, "")
}
