package main

import (
	"path/filepath"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// checkOutside refuses a place to write to that lies in the repository, and, where what
// is there is replaced, one that the repository lies in: either would destroy it.
func (a *app) checkOutside(path string, replaced bool) error {
	root, err := a.repositoryPath()
	if err != nil {
		return err
	}
	root = resolve(root)
	place := resolvePlace(path)
	switch {
	case within(root, place):
		return usagef("%s is in the repository: nothing else may be written there", screen.Line(path))
	case replaced && within(place, root):
		return usagef("the repository lies in %s: it would be replaced", screen.Line(path))
	}
	return nil
}

// within tells whether a path is that of a folder or of something in it.
func within(folder, path string) bool {
	rel, err := filepath.Rel(folder, path)
	return err == nil && (rel == "." || filepath.IsLocal(rel))
}

// resolvePlace is resolve for what may not be there yet.
func resolvePlace(path string) string {
	if full, err := filepath.Abs(path); err == nil {
		path = full
	}
	if target, err := filepath.EvalSymlinks(path); err == nil {
		return target
	}
	if above := filepath.Dir(path); above != path {
		return filepath.Join(resolvePlace(above), filepath.Base(path))
	}
	return path
}
