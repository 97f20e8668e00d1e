package stopped

import (
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
)

// Half is a container of which a restore did not come to its end, or is at work: its data may be part new, part old.
type Half struct {
	Container, ID string
	Places        []string // the folders that are restored
	Since         time.Time
}

// HalfRestored gives the containers of which restores did not come to their ends.
func (k *Keeper) HalfRestored() (all []Half, err error) {
	dir, err := k.Folder()
	if err != nil {
		return nil, nil // nor could a note have been written
	}
	found, err := files.Matching(dir, noteNames()[0])
	if err != nil || len(found) == 0 {
		return nil, err
	}
	if err := folderOf(dir).Check(); err != nil {
		return nil, err
	}
	for _, path := range found {
		n, err := readNote(path)
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("note %s: %w", path, err)
		}
		if n.Restoring {
			all = append(all, Half{n.Container, n.ID, n.Places, n.Stopped})
		}
	}
	return all, nil
}
