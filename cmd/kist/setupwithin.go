package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/store/storage"
)

// A repository within another one would be listed with it, each file of it as none of kist's.

// checkNotWithin refuses a folder somewhere above which a repository is.
func checkNotWithin(place where.Place) error {
	for _, above := range place.Above() {
		if info, err := os.Lstat(filepath.Join(above.Path(), anchor)); err == nil && info.Mode().IsRegular() {
			return withinOf(place, above, "folder")
		}
	}
	return nil
}

// checkNotWithinBucket refuses a prefix where a shorter one is that of a repository. One below which the key may not look says nothing.
func checkNotWithinBucket(ctx context.Context, place where.Place, o where.Opening) error {
	for _, above := range place.Above() {
		at, err := above.Open(ctx, o)
		if err != nil {
			return err
		}
		_, err = at.Objects.Stat(ctx, anchor)
		letGo(at)
		switch {
		case err == nil:
			return withinOf(place, above, "prefix")
		case !errors.Is(err, storage.ErrNotFound) && !where.IsRefused(err) && !errors.Is(err, where.ErrNoBucket):
			return err
		}
	}
	return nil
}

func withinOf(place, above where.Place, kind string) error {
	err := fmt.Errorf("%s lies within the repository in %s, whose %s is there", screen.Line(place.String()), screen.Line(above.String()), anchor)
	return &advised{err, "Nothing was made: each of the two would be in the way of the other. Choose a " + kind + " that lies beside that repository, not in it."}
}
