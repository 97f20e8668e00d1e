package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"regexp"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/spool"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// anchor is the object that tells a repository from the bare mount point of a
// share that went away.
const anchor = "kist.json"

// repository is an open one.
type repository struct {
	*store.Repository
	at     *where.Opened
	secret crypt.Secret // that opened it; nil for a new one
	waited *waited      // for its place; nil for a spool
	use    *spool.Use   // of a spool
	warn   func(format string, args ...any)
	getenv func(string) string
}

// isAt tells whether a text names the place that the repository was opened in.
func (r *repository) isAt(named string) bool { return where.Full(named, r.getenv) == r.at.Full() }

// Close wipes the keys and the secret, and lets the folder go.
func (r *repository) Close() error {
	wipe(r.secret)
	r.warnMendable()
	err := errors.Join(r.Repository.Close(), letGo(r.at))
	if r.waited != nil {
		r.waited.stop()
	}
	r.use.Drop()
	return err
}

// warnMendable warns of what was damaged and could be read all the same.
func (r *repository) warnMendable() {
	mendable := r.Mendable()
	if r.warn == nil || len(mendable) == 0 {
		return
	}
	mendable = slices.DeleteFunc(mendable, func(m store.Mendable) bool {
		opens := m.Object == anchor || strings.HasPrefix(m.Object, "keyslots/")
		if opens { // repairing leaves them to people
			r.warn("%s is damaged, and was read by its second copy: put a copy of spare/%s in its place", screen.Printable(m.Object), screen.Printable(strings.ReplaceAll(m.Object, "/", ".")))
		}
		return opens
	})
	if len(mendable) == 0 {
		return
	}
	first := mendable[0]
	r.warn("%s by parity or second copies: nothing is lost yet, and kist repair mends it. The first: %s: %s",
		screen.Count(len(mendable), "file of the repository is damaged, and was read", "files of the repository are damaged, and were read"), screen.Printable(first.Object), screen.Line(first.Problem))
}

func wipe(secret crypt.Secret) {
	if s, ok := secret.(interface{ Wipe() }); ok {
		s.Wipe()
	}
}

// maxTries is how often a passphrase is asked for.
const maxTries = 3

// open opens the repository that was asked for.
func (a *app) open(ctx context.Context) (*repository, error) {
	r, err := a.openWithin(ctx, a.patience.most)
	if err != nil {
		return nil, a.withWaiting(err)
	}
	return r, nil
}

// openIn opens the repository in a place, which is closed where it fails.
func (a *app) openIn(ctx context.Context, at *where.Opened, options store.OpenOptions) (*repository, error) {
	st, err := a.limited(at.Objects)
	if err != nil {
		letGo(at)
		return nil, err
	}
	options.KeepBases = !a.itself && at.IsFar()
	if at.InBucket() {
		// Of slabs that go there two are in memory as a whole, and some 180 MiB are in use with all else: garbage is collected more
		// often, so that all stays below 230 MiB, of which the program itself takes 23. Who needs more, as for millions of files,
		// is slower for it.
		debug.SetMemoryLimit(208 << 20)
	}
	found, err := findIn(ctx, at, st)
	if err != nil {
		return nil, err
	}
	r, err := a.unlock(ctx, found, options, a.openingSecret)
	return r, a.nameSecret(at.String(), err)
}

// locked is a repository that was found, and its place, which is read as storage.
type locked struct {
	*store.Found
	at      *where.Opened
	storage storage.Storage
}

// findIn finds the repository in a place, which is read as st, before anybody is asked for a passphrase. It closes the place where it fails.
func findIn(ctx context.Context, at *where.Opened, st storage.Storage) (*locked, error) {
	found, err := store.Find(ctx, st)
	if err != nil {
		defer letGo(at)
		return nil, explainOpening(ctx, at, err)
	}
	return &locked{found, at, st}, nil
}

// unlock opens a repository by what opening gives. It closes the place where it fails.
func (a *app) unlock(ctx context.Context, found *locked, options store.OpenOptions, opening func(context.Context) (crypt.Secret, bool, error)) (*repository, error) {
	at := found.at
	for try := 1; ; try++ {
		secret, asked, err := opening(ctx)
		var r *store.Repository
		switch {
		case err != nil:
		case asked: // which may have taken long
			r, err = store.Open(ctx, found.storage, secret, options)
		default:
			r, err = found.Open(ctx, secret, options)
		}
		if err == nil {
			return &repository{Repository: r, at: at, secret: secret, warn: a.Warn, getenv: a.getenv}, nil
		}
		wipe(secret)
		if !asked || try == maxTries || !errors.Is(err, store.ErrWrongSecret) {
			defer letGo(at)
			return nil, explainOpening(ctx, at, err)
		}
		a.Warn("that passphrase opens no key slot. Once more:")
	}
}

// nameSecret says of a file that does not open a repository which file, and which repository.
func (a *app) nameSecret(repository string, err error) error {
	if !errors.Is(err, store.ErrWrongSecret) {
		return err
	}
	switch named, failed := a.secretFiles(); {
	case failed == nil && named.Key != "":
		return fmt.Errorf("key file %s, repository %s: %w", screen.Line(named.Key), screen.Line(repository), err)
	case failed == nil && named.Passphrase != "":
		return fmt.Errorf("passphrase file %s, repository %s: %w", screen.Line(named.Passphrase), screen.Line(repository), err)
	}
	return fmt.Errorf("repository %s: %w", screen.Line(repository), err)
}

// openAnchored opens the place, and sees that the anchor is in a folder, so that nothing is written where that went away. A bucket is
// looked into by who opens the repository.
func openAnchored(ctx context.Context, place where.Place, o where.Opening) (*where.Opened, error) {
	at, err := place.Open(ctx, o)
	if errors.Is(err, fs.ErrNotExist) && !place.InBucket() {
		if err := checkLocal(place); err != nil {
			return nil, err
		}
		return nil, noRepository(place, "there is no such folder")
	}
	if err != nil {
		return nil, cmp.Or(checkNoFile(place), err)
	}
	if place.InBucket() {
		return at, nil
	}
	_, err = at.Objects.Stat(ctx, anchor)
	if errors.Is(err, storage.ErrNotFound) {
		err = noManifest(ctx, at)
	}
	if anchored, ok := at.Objects.(storage.Anchored); ok && err == nil {
		err = anchored.SetAnchor(anchor)
	}
	if err != nil {
		letGo(at)
		return nil, err
	}
	return at, nil
}

// checkNoFile refuses a place that is a file.
func checkNoFile(place where.Place) error {
	if place.InBucket() {
		return nil
	}
	if info, err := os.Stat(place.Path()); err == nil && !info.IsDir() {
		return fmt.Errorf("%s is a file: a repository lies in a folder", screen.Line(place.Path()))
	}
	return nil
}

// noRepositoryError says that no repository is in a place.
type noRepositoryError struct {
	place     where.Place
	why, made string
}

func (e *noRepositoryError) Error() string {
	see := "if it lies on a share, see that the share is mounted"
	if e.place.InBucket() {
		see = "see that bucket, prefix and endpoint are right"
	}
	return fmt.Sprintf("%s: %v: %s. %s; %s", screen.Line(e.place.String()), store.ErrNoRepository, e.why, e.made, see)
}

func (e *noRepositoryError) Unwrap() error { return store.ErrNoRepository }

func noRepository(place where.Place, why string) error {
	return &noRepositoryError{place, why, "kist setup makes one"}
}

// repositoryPlace gives where the repository is that is asked for.
func (a *app) repositoryPlace() (where.Place, error) {
	text := cmp.Or(a.shared.repository, a.getenv("KIST_REPOSITORY"))
	if text == "" {
		return where.Place{}, usagef("which repository? Give --repository PLACE or set KIST_REPOSITORY")
	}
	return a.parsePlace(text)
}

// parsePlace reads what names a place.
func (a *app) parsePlace(text string) (where.Place, error) {
	place, err := where.Parse(text, a.getenv)
	if err != nil {
		return place, usagef("a repository's address: %w", err)
	}
	return place, nil
}

// warnOfKeys warns where others can read the file with the keys of an object store.
func (a *app) warnOfKeys() {
	keys := where.FindKeys(a.getenv)
	info, err := os.Stat(keys.File)
	if err != nil || keys.InEnvironment || a.getenv("CREDENTIALS_DIRECTORY") != "" || runtime.GOOS == "windows" {
		return
	}
	if info.Mode().IsRegular() && info.Mode().Perm()&0o077 != 0 && !a.warned[keys.File] {
		a.warned[keys.File] = true
		a.Warn("the file with the keys of the object store, %s, can be read by others (mode %04o): chmod 600 it", screen.Printable(keys.File), info.Mode().Perm())
	}
}

// opens says how places are opened that are waited for.
func (a *app) opens(w *waited) where.Opening {
	return where.Opening{
		Getenv: a.getenv, Folder: a.place, Watch: &w.Watch, Most: a.patience.most,
		Condition: func(heeded bool) { a.noteCondition(w.at, heeded) }, Late: func() { a.warnLate(w.place) },
	}
}

// opening gives an action that takes a number of arguments, most < 0 for no limit,
// and an open repository.
func (a *app) opening(least, most int, action func(*cli.Context, *repository) error) cli.ActionFunc {
	return func(c *cli.Context) error {
		if err := cmdline.WantArgs(c, least, most); err != nil {
			return err
		}
		r, err := a.open(c.Context)
		if err != nil {
			return err
		}
		defer r.Close()
		return action(c, r)
	}
}

// listing lists the captures, and warns of index files that are damaged.
func (a *app) listing(ctx context.Context, r *repository) (*store.Listing, error) {
	l, err := r.List(ctx)
	if err != nil || l.Damage == nil {
		return l, err
	}
	for line := range strings.SplitSeq(l.Damage.Error(), "\n") {
		a.Warn("%s", screen.Text(line))
	}
	return l, nil
}

// find gives the capture that a selector means.
func (a *app) find(ctx context.Context, r *repository, selector string) (*store.Capture, error) {
	found, err := a.findAll(ctx, r, []string{selector})
	if err != nil {
		return nil, err
	}
	return found[0], nil
}

// findAll gives the captures that selectors mean, each once.
func (a *app) findAll(ctx context.Context, r *repository, selectors []string) ([]*store.Capture, error) {
	l, err := a.listing(ctx, r)
	if err != nil {
		return nil, err
	}
	var found []*store.Capture
	for _, selector := range selectors {
		c, err := a.meant(l, selector)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(found, c) {
			found = append(found, c)
		}
	}
	return found, nil
}

// meant gives the capture that a selector means, of the host that was asked for.
func (a *app) meant(l *store.Listing, selector string) (*store.Capture, error) {
	c, err := l.Choose(selector, store.ChooseOptions{Host: a.host})
	if noSuchDay(selector) && errors.Is(err, store.ErrNotFound) {
		return nil, fmt.Errorf("%w, and there is no such day", err)
	}
	if errors.Is(err, store.ErrNotFound) && selector != "latest" {
		err = fmt.Errorf("%w (kist list shows what there is)%s", err, cmp.Or(a.waitsUnder(selector), meantHost(l, a.host), retiredOf(l, selector), meantCapture(l, selector)))
	} else if errors.Is(err, store.ErrNotFound) {
		err = fmt.Errorf("%w%s", err, cmp.Or(a.waitsUnder(selector), meantHost(l, a.host), meantCapture(l, selector)))
	}
	return c, err
}

// noSuchDay tells whether a selector has the form of a day that the calendar does not have.
func noSuchDay(selector string) bool {
	_, day, _ := strings.Cut(selector, "@")
	_, err := time.Parse(time.DateOnly, day)
	return err != nil && dayForm.MatchString(day)
}

var dayForm = regexp.MustCompile(`^[0-9]{4}-[0-9]{2}-[0-9]{2}$`)

// reopens proves that a secret opens the repository by its new slot.
func (r *repository) reopens(ctx context.Context, secret crypt.Secret, slot crypt.SlotID) error {
	again, err := store.Open(ctx, r.at.Objects, secret, store.OpenOptions{Unlock: crypt.UnlockOptions{First: slot}})
	if err != nil {
		return err
	}
	return again.Close()
}
