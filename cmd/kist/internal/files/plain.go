package files

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// ErrTooLong is returned for a file of more bytes than may be read of it. Compare with errors.Is.
var ErrTooLong = errors.New("it is too long")

// CheckMine fails for what ReadMine would not read, and not where there is nothing. It opens nothing.
func CheckMine(path string) error {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return mine(path, info)
}

// ReadMine reads a file that lies where others may exchange it: never through a link, without waiting for
// a pipe, only a regular file that is this user's and has no other name, and at most limit bytes of it, else it fails
// with ErrTooLong. On Windows nobody asks whose it is.
func ReadMine(path string, limit int64) ([]byte, error) {
	f, err := openNoFollow(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err == nil {
		err = mine(path, info)
	}
	if err != nil {
		return nil, err
	}
	b, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err == nil && int64(len(b)) > limit {
		err = fmt.Errorf("%s: %w: more than %s", screen.Line(path), ErrTooLong, screen.Size(uint64(limit)))
	}
	return b, err
}

func mine(path string, info fs.FileInfo) error {
	switch {
	case !info.Mode().IsRegular():
		return fmt.Errorf("%s is no regular file (links are not followed)", screen.Line(path))
	case !isMine(info):
		return fmt.Errorf("%s is another user's, or has another name, too: remove it, or name another file", screen.Line(path))
	}
	return nil
}
