package spool

import (
	"context"
	"os"
	"path/filepath"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
)

// Names of files that are locked: by each who works with what a spool holds, and by the one who sends from it.
const (
	used  = "used"
	sends = "sends"
)

// Use shows to other processes of this machine that one is at work with what a spool holds, until Drop, or until the process ends.
// Where no lock can be had, as on a system without such or a file system that can't be written to, nothing shows it.
type Use struct{ f *os.File }

// Use waits while another process has the spool alone. It fails with the context's error when that is done.
func (s *Spool) Use(ctx context.Context) (*Use, error) {
	f, err := s.openLock(used)
	if err != nil {
		return &Use{}, nil
	}
	u := &Use{f}
	if err := u.share(ctx); err != nil {
		f.Close()
		if ctx.Err() != nil {
			return nil, err
		}
		return &Use{}, nil
	}
	return u, nil
}

func (s *Spool) openLock(name string) (*os.File, error) {
	return files.OpenOwn(filepath.Join(s.Dir, name), os.O_RDWR|os.O_CREATE)
}

func (u *Use) share(ctx context.Context) error {
	return files.Await(ctx, u.f, files.TryShare)
}

// Alone does something while no other process is at work with the spool, and tells whether it was done.
func (u *Use) Alone(ctx context.Context, do func() error) (done bool, err error) {
	if u.f == nil {
		return true, do()
	}
	// A failed try may lose the lock, too (flock(2)).
	defer u.share(context.WithoutCancel(ctx))
	if ours, err := files.TryLock(u.f); err != nil || !ours {
		return false, err
	}
	return true, do()
}

// Drop ends it.
func (u *Use) Drop() {
	if u != nil && u.f != nil {
		u.f.Close()
		u.f = nil
	}
}

// askSeldom is how often a process that waits for another one looks for something else.
const askSeldom = 5 * time.Second

// Send waits until no other process sends from the spool, and gives what ends it. waiting is called at first and now and then
// while another one does; where it fails, so does Send.
func (s *Spool) Send(ctx context.Context, waiting func() error) (done func(), err error) {
	f, err := s.openLock(sends)
	if err != nil {
		return func() {}, nil // two harm nothing: one works for nothing
	}
	for {
		ours, err := files.TryLock(f)
		if ours || err != nil {
			return func() { f.Close() }, nil
		}
		if err := waiting(); err != nil {
			f.Close()
			return nil, err
		}
		some, cancel := context.WithTimeout(ctx, askSeldom)
		err = files.Lock(some, f)
		cancel()
		if err == nil {
			return func() { f.Close() }, nil
		}
		if ctx.Err() != nil {
			f.Close()
			return nil, context.Cause(ctx)
		}
	}
}
