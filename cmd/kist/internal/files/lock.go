package files

import (
	"context"
	"os"
	"time"
)

// Lock locks a file as TryLock does, and waits while another has it. It fails with the context's error when that is done.
func Lock(ctx context.Context, f *os.File) error { return Await(ctx, f, TryLock) }

// Await is Lock for one of the ways of locking.
func Await(ctx context.Context, f *os.File, try func(*os.File) (bool, error)) error {
	for wait := time.Millisecond; ; wait = min(2*wait, 10*time.Millisecond) {
		if ours, err := try(f); ours || err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait): // a call that waits can't be ended by a context
		}
	}
}
