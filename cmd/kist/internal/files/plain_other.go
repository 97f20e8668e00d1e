//go:build !unix

package files

import (
	"fmt"
	"io/fs"
	"os"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

func openNoFollow(path string) (*os.File, error) {
	if info, err := os.Lstat(path); err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no regular file (links are not followed)", screen.Line(path))
	}
	return os.Open(path)
}

// OpenFolder opens a folder.
func OpenFolder(path string) (*os.File, error) { return os.Open(path) }

func isMine(fs.FileInfo) bool { return true }

func isOthers(fs.FileInfo) bool { return false }
