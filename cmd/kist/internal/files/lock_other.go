//go:build !unix

package files

import (
	"errors"
	"fmt"
	"os"
)

// TryLock fails: here a run that was killed can't be told from one that goes on.
func TryLock(*os.File) (bool, error) {
	return false, fmt.Errorf("%w: on this system a run that was killed can't be told from one that goes on: what must be brought to its end by the next one is not begun", errors.ErrUnsupported)
}

// TryShare fails as TryLock does.
func TryShare(f *os.File) (bool, error) { return TryLock(f) }

func checkOwn(*os.File) error { return nil }
