package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// advised is an error with the one thing to do about it.
type advised struct {
	err    error
	advice string
}

func (e *advised) Error() string { return e.err.Error() }

func (e *advised) Unwrap() error { return e.err }

// manifestError says that a repository does not open since its kist.json is gone or damaged.
type manifestError struct{ err error }

func (e *manifestError) Error() string { return e.err.Error() }

func (e *manifestError) Unwrap() error { return e.err }

// What to bring back where a repository can't be opened: nothing that opens it mends it.
const (
	bringManifest = "Bring kist.json back from a copy of the repository, or from any of its snapshots: it was written once, when the repository was made, and never changes since. Every other place of the repository has the same file, and kist repair --from that place brings it. Nothing else is harmed by its loss."
	bringSlots    = "Bring the folder keyslots, with its files, back from a copy of the repository: without them no passphrase and no key file opens it. Files of keyslots of a second place serve here, too, with the passphrase or key file of that place: copy them by hand. Nothing else is harmed by their loss."
)

// spareManifest is the second copy of kist.json, of a repository with parity.
const spareManifest = "spare/kist.json"

// manifestAdvice says where kist.json can be brought back from.
func manifestAdvice(ctx context.Context, at *where.Opened) string {
	if _, err := at.Objects.Stat(ctx, spareManifest); err != nil {
		return bringManifest
	}
	return "A second copy of it lies in " + spareManifest + ": put a copy of that in its place. Nothing else is harmed by its loss."
}

// partsOf are folders that only a repository has. The first may hold very many objects.
func partsOf() []string { return []string{"slabs", "captures", "keyslots"} }

// lostManifest tells that a place has no kist.json though other parts of a repository lie there; nil
// where they do not.
func lostManifest(ctx context.Context, at *where.Opened) error {
	holds := func(part string) bool { return holdsFiles(filepath.Join(at.Path(), part)) }
	parts := partsOf()
	if at.InBucket() {
		parts = parts[1:]
		holds = func(part string) bool {
			found, err := at.Objects.List(ctx, part)
			return err == nil && len(found) > 0
		}
	}
	if !slices.ContainsFunc(parts, holds) {
		return nil
	}
	err := fmt.Errorf("%s: %w: %s is missing, and other parts of a repository lie there", screen.Line(at.String()), store.ErrNoRepository, anchor)
	return &advised{&manifestError{&statusError{statusDamage, err}}, manifestAdvice(ctx, at)}
}

// holdsFiles tells whether something is in a folder that can be looked into.
func holdsFiles(path string) bool {
	empty, err := isEmptyFolder(path)
	return err == nil && !empty
}

// noManifest says that a place has no kist.json.
func noManifest(ctx context.Context, at *where.Opened) error {
	if err := lostManifest(ctx, at); err != nil {
		return err
	}
	return noRepository(at.Place, "there is no "+anchor+" in it")
}

// explainOpening says what to do about a repository that does not open.
func explainOpening(ctx context.Context, at *where.Opened, err error) error {
	var of *store.ObjectError
	switch {
	case at.InBucket() && errors.Is(err, store.ErrNoRepository):
		return noManifest(ctx, at)
	case errors.Is(err, where.ErrNoBucket):
		return &noRepositoryError{at.Place, "there is no such bucket", "kist setup --make-bucket makes both"}
	case errors.Is(err, crypt.ErrNoSlot):
		if slots, failed := at.Objects.List(ctx, "keyslots"); failed == nil && len(slots) == 0 {
			return &advised{&statusError{statusDamage, errors.New("no key slot is there: keyslots is empty or missing")}, bringSlots}
		}
	case errors.Is(err, storage.ErrGone):
		_, stands := at.Objects.Stat(ctx, anchor)
		if _, failed := at.Objects.List(ctx, "keyslots"); stands == nil && errors.Is(failed, storage.ErrGone) {
			return &advised{&statusError{statusDamage, fmt.Errorf("the folder keyslots is missing, while %s is there", anchor)}, bringSlots}
		}
	case errors.Is(err, store.ErrDamagedSlot):
		return &advised{err, "Whether the passphrase or key file is right can't be told. Bring the damaged files of keyslots back from a copy of the repository, or use the passphrase or key file of another slot."}
	case errors.As(err, &of) && of.Object == anchor && errors.Is(err, store.ErrDamaged):
		return &advised{&manifestError{err}, manifestAdvice(ctx, at)}
	}
	return err
}

// remoteLooking matches what other programs take for a folder of another machine.
var remoteLooking = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._@-]+:|^[a-z][a-z0-9+.-]*://`)

// checkLocal refuses what looks like a place on another machine, unless such a folder is there.
func checkLocal(place where.Place) error {
	path := place.Path()
	if _, err := os.Lstat(path); err == nil || !remoteLooking.MatchString(path) || runtime.GOOS == "windows" && filepath.VolumeName(path) != "" {
		return nil
	}
	if strings.HasPrefix(strings.ToLower(path), "s3:") {
		return usagef("%s is no address of a bucket, which is s3://BUCKET/PREFIX?endpoint=https://HOST:PORT; write ./%s for a folder of that name", screen.Line(path), screen.Line(path))
	}
	return usagef("%s looks like a place on another machine: a repository lies in a folder, or in a bucket by its address, s3://BUCKET/PREFIX. Mount the share, and give the folder; or write ./%s for a folder of that name",
		screen.Line(path), screen.Line(path))
}
