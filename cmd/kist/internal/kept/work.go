package kept

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/store/volume"
)

// ErrBusy is returned where another process restores into a folder, or removes what is set aside for it.
var ErrBusy = errors.New("another run of kist restores there, or removes what is set aside there")

// Work is a restore into a folder, for as long as it lasts.
type Work struct {
	book   Book
	target string
	held   *files.Held // nil where there is no book, or the system has no such locks
}

// Begin notes that a folder will be restored into, and keeps others from removing what is set aside there until End. It
// fails with ErrBusy where another process is at work there. The other errors say that the book can't be
// written: then there is no Work, and nothing is kept from anybody.
func (b Book) Begin(target string) (*Work, error) {
	held, err := b.hold(target)
	for tries := 0; tries < 20 && errors.Is(err, ErrBusy); tries++ { // who only looks is gone in a moment
		time.Sleep(10 * time.Millisecond)
		held, err = b.hold(target)
	}
	if err != nil {
		return nil, err
	}
	if err := b.Note(target); err != nil {
		return nil, errors.Join(err, held.Drop())
	}
	return &Work{b, target, held}, nil
}

// Aside notes what may be set aside: see volume.ReplaceOptions.
func (w *Work) Aside(id volume.Identity) error {
	return w.book.add([]line{{Target: w.target, Identity: id}})
}

// End lets others at it.
func (w *Work) End() error { return w.held.Drop() }

// hold locks a target, where there is a book for it.
func (b Book) hold(target string) (*files.Held, error) {
	if b.Folder == "" {
		return nil, nil
	}
	if err := os.MkdirAll(b.Folder, 0o700); err != nil {
		return nil, err
	}
	if err := b.check(); err != nil {
		return nil, err
	}
	held, err := files.Hold(filepath.Join(b.Folder, workName(target)))
	if errors.Is(err, errors.ErrUnsupported) {
		return nil, nil
	}
	if err == nil && held == nil {
		err = fmt.Errorf("%s: %w", target, ErrBusy)
	}
	return held, err
}

// workName is the name of the file that is locked for a target, however that is spelled.
func workName(target string) string {
	sum := sha256.Sum256([]byte(paths.ResolvePlace(target)))
	return fmt.Sprintf("restoring-%x.lock", sum[:8])
}
