package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store/storage"
)

// quietTime is how long the repository's folder may take to answer before it is said that it is waited for.
const quietTime = 5 * time.Second

// errNoAnswer says that the file system that the repository lies on did not answer in time.
var errNoAnswer = errors.New("there was no answer in time: is its server up?")

// reachFolder opens the repository's folder. What waits for a share in the operating system can't be ended: it is left
// behind where the context ends, or the time is over; 0 means for ever.
func (a *app) reachFolder(ctx context.Context, wait time.Duration) (*storage.Folder, error) {
	path, err := a.repositoryPath()
	if err != nil {
		return nil, err
	}
	type outcome struct {
		folder *storage.Folder
		err    error
	}
	done := make(chan outcome, 1)
	go func() {
		folder, err := a.openFolder(ctx)
		done <- outcome{folder, err}
	}()
	quiet := time.NewTimer(quietTime)
	defer quiet.Stop()
	var over <-chan time.Time
	if wait > 0 {
		timer := time.NewTimer(wait)
		defer timer.Stop()
		over = timer.C
	}
	for {
		select {
		case o := <-done:
			return o.folder, o.err
		case <-quiet.C:
			a.Warn("waiting for %s to answer", screen.Printable(path))
			continue
		case <-over:
			err = fmt.Errorf("%s: opening it: %w", screen.Line(path), errNoAnswer)
		case <-ctx.Done():
			err = context.Cause(ctx)
		}
		go func() {
			if o := <-done; o.err == nil {
				o.folder.Close()
			}
		}()
		return nil, err
	}
}
