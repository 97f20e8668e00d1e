package main

import (
	"os"
	"path/filepath"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
)

// checkOutside refuses a place to write to that lies in the repository, and, where what
// is there is replaced, one that the repository lies in: either would destroy it.
func (a *app) checkOutside(path string, replaced bool) error {
	repository, err := a.repositoryPlace()
	if err != nil {
		return err
	}
	root, place := repository.Real(), paths.ResolvePlace(path)
	switch {
	case repository.InBucket():
	case paths.Within(root, place):
		return usagef("%s is in the repository: nothing else may be written there", screen.Line(path))
	case replaced && paths.Within(place, root):
		return usagef("the repository lies in %s: it would be replaced", screen.Line(path))
	}
	return outsideAll(path)
}

// outsideAll refuses a place to write to that lies in any repository.
func outsideAll(path string) error {
	for at := paths.ResolvePlace(path); ; at = filepath.Dir(at) {
		if isRepository(at) {
			return usagef("%s is in the repository %s: nothing else may be written there", screen.Line(path), screen.Line(at))
		}
		if at == filepath.Dir(at) {
			return nil
		}
	}
}

// isRepository tells whether a folder looks like a repository, be it another one than the one that is open.
func isRepository(path string) bool {
	info, err := os.Lstat(filepath.Join(path, anchor))
	return err == nil && info.Mode().IsRegular() && files.IsFolder(filepath.Join(path, "captures")) && files.IsFolder(filepath.Join(path, "keyslots"))
}

// checkApart refuses to capture a repository into itself.
func (a *app) checkApart(taken []*sources.Source) error {
	at, err := a.repositoryPlace()
	if err != nil || at.InBucket() {
		return err
	}
	if a.root.at != at { // once: it may lie on a share, and something may be held still the next time
		a.root.at, a.root.real = at, at.Real()
	}
	root := a.root.real
	for _, s := range taken {
		if s.Kind != sources.Folder {
			continue
		}
		if paths.Within(paths.Resolve(s.Path), root) {
			return usagef("the repository lies in the source %s: it would capture itself", screen.Line(s.Path))
		}
	}
	return nil
}
