package mounts

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
)

// Notes are what paths were mounted from when they were seen last, in a folder that is made with the first one.
type Notes struct{ Dir string }

// Noted is what was seen at a path.
type Noted struct {
	Path       string `json:"path"`
	Repository string `json:"repository"` // that was found there
	Mount      Mount  `json:"mount"`
}

func (n Notes) file(path string) string {
	sum := sha256.Sum256([]byte(path))
	return filepath.Join(n.Dir, hex.EncodeToString(sum[:8])+".json")
}

// maxNote is more than any note has.
const maxNote = 64 << 10

// At gives what was noted of a path. It fails with fs.ErrNotExist where nothing was.
func (n Notes) At(path string) (Noted, error) {
	b, err := files.ReadMine(n.file(path), maxNote)
	if err != nil {
		return Noted{}, err
	}
	var noted Noted
	if err := files.UnmarshalExact(b, &noted); err != nil || noted.Path != path {
		return Noted{}, fmt.Errorf("%s: not a note of what is mounted (%w)", n.file(path), errors.Join(err, fs.ErrNotExist))
	}
	return noted, nil
}

// Note notes what is seen at a path, if that is not what was.
func (n Notes) Note(noted Noted) error {
	if was, err := n.At(noted.Path); err == nil && was == noted {
		return nil
	}
	if err := os.MkdirAll(n.Dir, 0o700); err != nil {
		return err
	}
	return files.Write(n.file(noted.Path), true, func(w io.Writer) error { return files.EncodeExact(w, noted) })
}
