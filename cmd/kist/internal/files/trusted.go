package files

import (
	"fmt"
	"os"
	"path/filepath"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// ErrOthers is returned for a file that somebody else than this user or root owns or may change.
// Compare with errors.Is.
var ErrOthers = errOthersCan{}

type errOthersCan struct{}

func (errOthersCan) Error() string { return "others own it or may change it" }

// OpenTrusted opens a regular file to be read, which says what is to be run. It fails with ErrOthers
// where another user than this one or root may write it, or put another in its place: by its own
// mode and owner, and by those of the folders that lead to it. On Windows nobody asks.
func OpenTrusted(path string) (*os.File, error) {
	full, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	real, err := filepath.EvalSymlinks(full)
	if err != nil {
		return nil, err
	}
	for _, leading := range []string{full, real} {
		for dir := filepath.Dir(leading); ; dir = filepath.Dir(dir) {
			if err := checkFolder(dir); err != nil {
				return nil, fmt.Errorf("folder %s: %w", screen.Line(dir), err)
			}
			if dir == filepath.Dir(dir) {
				break
			}
		}
	}
	f, err := openRegular(real)
	if err != nil {
		return nil, err
	}
	if err := checkOwn(f); err != nil {
		f.Close()
		return nil, ErrOthers
	}
	return f, nil
}

// openRegular opens what is a regular file: a pipe would be waited for.
func openRegular(path string) (*os.File, error) {
	info, err := os.Lstat(path)
	if err == nil && !info.Mode().IsRegular() {
		err = fmt.Errorf("%s is no regular file", screen.Line(path))
	}
	if err != nil {
		return nil, err
	}
	return os.Open(path)
}
