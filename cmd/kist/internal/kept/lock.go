package kept

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
)

const (
	lockName = bookName + ".lock"
	maxWait  = 30 * time.Second // for what takes milliseconds: then something is wrong
)

// errNoLocks is returned by lock where the system has no such locks.
var errNoLocks = errors.New("this system has no locks of that kind")

// lock keeps others from changing the book until unlock: who writes it anew would lose what is appended meanwhile. The
// folder must be there. Its file stays: a name that comes and goes could be locked twice.
func (b Book) lock() (unlock func() error, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), maxWait)
	defer cancel()
	f, err := files.OpenOwn(filepath.Join(b.Folder, lockName), os.O_RDWR|os.O_CREATE)
	if err != nil {
		return nil, err
	}
	switch err = files.Lock(ctx, f); {
	case err == nil:
		return f.Close, nil
	case errors.Is(err, errors.ErrUnsupported):
		err = errNoLocks
	case errors.Is(err, context.DeadlineExceeded):
		err = fmt.Errorf("%s is locked by another run of kist for more than %s: see what holds it, and run this again", f.Name(), maxWait)
	}
	return nil, errors.Join(err, f.Close())
}
