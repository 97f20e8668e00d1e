package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/files"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// keyName is the name of a key file beside the folder of its repository.
const keyName = "key"

// repository is one that is made for a measurement.
type repository struct {
	path   string
	folder *storage.Folder
	*store.Repository
}

// createRepository makes a repository in dir/repository, and its key file in
// dir. The folder dir is made, too. Its contents are stored by others that are alike as deltas says.
func createRepository(ctx context.Context, dir string, deltas store.Deltas) (*repository, error) {
	if err := os.Mkdir(dir, 0o755); err != nil {
		return nil, err
	}
	secret := crypt.NewKeyFile()
	if err := writeKey(filepath.Join(dir, keyName), secret); err != nil {
		return nil, err
	}
	path := filepath.Join(dir, "repository")
	folder, err := storage.CreateFolder(path, store.Folders()...)
	if err != nil {
		return nil, err
	}
	r, err := store.Create(ctx, folder, secret, store.CreateOptions{Deltas: deltas})
	if err != nil {
		return nil, errors.Join(err, folder.Close())
	}
	return &repository{path, folder, r}, nil
}

func writeKey(path string, secret *crypt.KeyFile) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = secret.WriteTo(f)
	return errors.Join(err, f.Close())
}

func readKey(dir string) (*crypt.KeyFile, error) {
	f, err := os.Open(filepath.Join(dir, keyName))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return crypt.ReadKeyFile(f)
}

// openRepository opens what createRepository made in dir.
func openRepository(ctx context.Context, dir string) (*repository, error) {
	secret, err := readKey(dir)
	if err != nil {
		return nil, err
	}
	return openAt(ctx, dir, files.OS(filepath.Join(dir, "repository")), secret, store.OpenOptions{})
}

// openShared opens what createRepository made in dir as if it were on a share, with what a machine keeps of it in folders beside it.
func openShared(ctx context.Context, dir string) (*repository, *storagetest.Share, error) {
	secret, err := readKey(dir)
	if err != nil {
		return nil, nil, err
	}
	share := storagetest.NewShare(files.OS(filepath.Join(dir, "repository")))
	r, err := openAt(ctx, dir, share, secret, store.OpenOptions{Cache: filepath.Join(dir, "cache"), State: filepath.Join(dir, "state"), KeepBases: true})
	return r, share, err
}

func openAt(ctx context.Context, dir string, at files.Place, secret *crypt.KeyFile, o store.OpenOptions) (*repository, error) {
	folder, err := storage.OpenFolderAt(at)
	if err != nil {
		return nil, err
	}
	r, err := store.Open(ctx, folder, secret, o)
	if err != nil {
		return nil, errors.Join(err, folder.Close())
	}
	return &repository{filepath.Join(dir, "repository"), folder, r}, nil
}

func (r *repository) Close() error { return errors.Join(r.Repository.Close(), r.folder.Close()) }

// captureStream captures one stream.
func (r *repository) captureStream(ctx context.Context, version string, open func() (io.ReadCloser, error)) (*store.Capture, error) {
	return r.Capture(ctx, store.CaptureOptions{
		Name: "seedbank", Version: version, Host: "hazel",
		Volumes: []store.VolumeInput{{
			Name: "data",
			Open: func(context.Context) (io.ReadCloser, error) { return open() },
		}},
	})
}

// restoreStream writes the stream of a capture to w.
func (r *repository) restoreStream(ctx context.Context, c *store.Capture, w io.Writer) error {
	return r.Restore(ctx, &c.Volumes[0], w, store.RestoreOptions{})
}

// onDisk gives the sum of the lengths of all files in the repository's folder, and
// the number of tables.
func (r *repository) onDisk() (length int64, tables int, err error) {
	all, err := os.ReadDir(filepath.Join(r.path, "tables"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return 0, 0, err
	}
	length, err = folderLength(r.path)
	return length, len(all), err
}

func folderLength(dir string) (n int64, err error) {
	err = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err == nil {
			n += info.Size()
		}
		return err
	})
	return n, err
}

// addition is what one capture of a tarball took.
type addition struct {
	ID       string  `json:"id"`
	Label    string  `json:"label"`
	TarBytes int64   `json:"tar_bytes"`
	Alone    int64   `json:"zstd_bytes,omitempty"` // of the tarball under zstd -3
	Added    int64   `json:"added_bytes"`          // on disk
	Read     int64   `json:"read_bytes"`           // of the repository, while capturing
	Calls    int64   `json:"calls"`                // of a share's protocol, for the capture
	Seconds  float64 `json:"seconds"`              // for the capture
	Restore  float64 `json:"restore_seconds"`      // with comparison
}

// addFile captures the tarball at path, and compares what is restored from the
// repository, opened anew, with that file. It captures as over that share.
func addFile(ctx context.Context, dir, label, path string, o share) (addition, error) {
	a, err := captureFile(ctx, dir, label, path, o)
	if err != nil {
		return a, fmt.Errorf("capturing %s: %w", label, err)
	}
	begin := time.Now()
	if err := compareCapture(ctx, dir, a.ID, path); err != nil {
		return a, fmt.Errorf("restoring %s: %w", label, err)
	}
	a.Restore = time.Since(begin).Seconds()
	return a, nil
}

func captureFile(ctx context.Context, dir, label, path string, o share) (a addition, err error) {
	r, share, err := openShared(ctx, dir)
	if err != nil {
		return a, err
	}
	defer r.Close()
	before, tables, err := r.onDisk()
	if err != nil {
		return a, err
	}
	share.Reset()
	share.SetLatency(o.latency)
	begin := time.Now()
	c, err := r.captureStream(ctx, label, func() (io.ReadCloser, error) { return os.Open(path) })
	if err != nil {
		return a, err
	}
	took, read, calls := time.Since(begin), share.Read(), share.Calls()
	after, tablesAfter, err := r.onDisk()
	// Where tables were removed, the folder grows by less, and by more where the capture's table took over records of others.
	if err == nil && after-before < int64(c.Added) && tablesAfter == tables+1 {
		err = fmt.Errorf("the capture says that it added %d bytes, the folder grew by %d", c.Added, after-before)
	}
	return addition{
		ID: c.ID, Label: label, TarBytes: int64(c.Bytes), Added: after - before, Read: read, Calls: calls, Seconds: took.Seconds(),
	}, err
}

// compareCapture restores a capture and compares it with the file.
func compareCapture(ctx context.Context, dir, id, path string) error {
	r, err := openRepository(ctx, dir)
	if err != nil {
		return err
	}
	defer r.Close()
	c, err := r.Find(ctx, id)
	if err != nil {
		return err
	}
	return r.compare(ctx, c, path)
}

// verify verifies every byte of the repository in dir.
func verify(ctx context.Context, dir string) error {
	r, err := openRepository(ctx, dir)
	if err != nil {
		return err
	}
	defer r.Close()
	report, err := r.Verify(ctx, store.VerifyOptions{Full: true})
	if err == nil && !report.OK {
		err = fmt.Errorf("verifying found damage: %+v", report.Damage)
	}
	return err
}
