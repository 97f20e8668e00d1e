package files

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

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
	real, err := checkWay(full)
	if err != nil {
		return nil, err
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

// checkWay follows a path step by step and gives what it leads to without links. It fails with ErrOthers where
// others may exchange a step: each folder that is gone through is looked at, that of each link in a chain, too.
func checkWay(full string) (real string, err error) {
	at, rest := filepath.VolumeName(full)+string(filepath.Separator), stepsOf(full)
	for links := 0; ; {
		if len(rest) == 0 {
			return at, nil
		}
		if err := checkFolder(at); err != nil {
			return "", fmt.Errorf("folder %s: %w", screen.Line(at), err)
		}
		next := filepath.Join(at, rest[0]) // .. too: at has no links
		rest = rest[1:]
		info, err := os.Lstat(next)
		if err != nil {
			return "", err
		}
		if info.Mode().Type() != os.ModeSymlink {
			at = next
			continue
		}
		if links++; links > maxLinks {
			return "", fmt.Errorf("%s: more than %d links lead on", screen.Line(full), maxLinks)
		}
		to, err := os.Readlink(next)
		if err != nil {
			return "", err
		}
		if filepath.IsAbs(to) {
			at = filepath.VolumeName(to) + string(filepath.Separator)
		}
		rest = append(stepsOf(to), rest...)
	}
}

const maxLinks = 40 // as Linux follows (path_resolution(7), from memory)

func stepsOf(path string) []string {
	return strings.FieldsFunc(path[len(filepath.VolumeName(path)):], func(r rune) bool { return os.IsPathSeparator(uint8(r)) && r < 128 })
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
