package volume

import (
	"os"
	"path/filepath"
	"slices"
)

// exists reports whether there is something at a path.
func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// namesIn lists a folder, sorted.
func namesIn(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	names := make([]string, 0, len(entries))
	for _, e := range entries {
		names = append(names, e.Name())
	}
	slices.Sort(names)
	return names, err
}

// statPath looks at what a path names.
func statPath(path string) (*meta, error) {
	d, err := openDoor(filepath.Dir(path))
	if err != nil {
		return nil, err
	}
	defer d.close()
	return d.stat(filepath.Base(path))
}
