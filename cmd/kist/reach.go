package main

import (
	"context"
	"errors"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/files"
)

// openPlace opens the folder at a path, and the repository in it by unlock, which closes the folder where it fails. A
// folder that is silent for the time wait meanwhile ends that with errNoAnswer; 0: no sooner than it ends the run.
func (a *app) openPlace(ctx context.Context, path string, wait time.Duration, unlock func(context.Context, *storage.Folder) (*repository, error)) (*repository, error) {
	opening, most, lost := ctx, a.patience.most, a.patience.lost
	if wait > 0 {
		opening, lost = context.WithCancelCause(ctx)
		defer lost(nil)
		if most == 0 || wait < most {
			most = wait
		}
	}
	w := a.waitFor(path, most, lost)
	folder, err := a.reachFolder(opening, path, w)
	var r *repository
	if err == nil {
		r, err = unlock(opening, folder)
	}
	if err != nil {
		w.stop()
		if silent := (*silentError)(nil); errors.As(context.Cause(opening), &silent) {
			return nil, silent
		}
		return nil, a.withMount(path, err)
	}
	w.allow(a.patience.most, a.patience.lost)
	r.waited = w
	if err := a.knownMount(r); err != nil {
		r.Close()
		return nil, err
	}
	return r, nil
}

// reachFolder opens the folder of a repository.
func (a *app) reachFolder(ctx context.Context, path string, w *waited) (*storage.Folder, error) {
	return leaveBehind(ctx, func() (*storage.Folder, error) { return openFolderAt(ctx, w.Place(a.place(path))) })
}

// leaveBehind gives what a call gives that opens a folder. What waits for a share in the operating system can't be ended: it
// is left behind some time after the context ended. So what is made where something answers can be taken away again.
func leaveBehind(ctx context.Context, call func() (*storage.Folder, error)) (*storage.Folder, error) {
	type outcome struct {
		folder *storage.Folder
		err    error
	}
	done := make(chan outcome, 1)
	go func() {
		folder, err := call()
		done <- outcome{folder, err}
	}()
	select {
	case o := <-done:
		return o.folder, o.err
	case <-ctx.Done():
	}
	if silent := (*silentError)(nil); !errors.As(context.Cause(ctx), &silent) { // else that was enough
		timer := time.NewTimer(leaveTime)
		defer timer.Stop()
		select {
		case o := <-done:
			return o.folder, o.err
		case <-timer.C:
		}
	}
	go func() {
		if o := <-done; o.err == nil {
			o.folder.Close()
		}
	}()
	return nil, context.Cause(ctx)
}

// systemPlace is where a path leads on this machine.
func systemPlace(path string) files.Place { return files.OS(path) }

// leaveTime is how long tidying up in a folder may take before it is left behind.
const leaveTime = 3 * time.Second

// letGo closes a folder. Nothing is lost where that is left behind.
func letGo(folder *storage.Folder) (err error) {
	done := make(chan error, 1)
	go func() { done <- folder.Close() }()
	timer := time.NewTimer(leaveTime)
	defer timer.Stop()
	select {
	case err = <-done:
	case <-timer.C:
	}
	return err
}

// withSilence gives the error of what ended with a context, and in its place that the folder was silent, where that ended it.
func withSilence(ctx context.Context, err error) error {
	var silent *silentError
	if err == nil || !errors.As(context.Cause(ctx), &silent) || errors.As(err, new(*silentError)) {
		return err
	}
	return errors.Join(err, silent)
}
