package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/dustin/go-humanize"
	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/secrets"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

func (a *app) setupCommand() *cli.Command {
	return &cli.Command{
		Name:  "setup",
		Usage: "make a repository",
		Flags: append([]cli.Flag{
			&cli.StringFlag{Name: "replica-of", Usage: "make a second place of the repository in `OTHER`, with what of its settings can't be changed, its deltas, and key slots of its own"},
			&cli.BoolFlag{Name: "again", Usage: "with --replica-of: make it a second place again that lost the mark of which place it is"},
			&cli.StringFlag{Name: "chunk-average", Value: "16KiB", Usage: "average `LENGTH` of chunks, a power of two from 8KiB to 1MiB; it can't be changed later"},
			&cli.StringFlag{Name: "grace", Value: "7d", Usage: "`TIME`, as 36h, 7d or 2w, for which what is retired can be taken back; a minute at least; it can't be changed later"},
			&cli.StringFlag{Name: "recheck", Value: "on", Usage: "`on or off`: whether captures read back what they compressed before they seal it, and so find faults of the machine's memory; it can't be changed later"},
			&cli.BoolFlag{Name: "apart", Usage: "share nothing between captures of different names, for volumes that hold what strangers put there; it can't be changed later"},
			&cli.BoolFlag{Name: "stored", Usage: "with --apart: compress nothing, names of files included"},
			&cli.BoolFlag{Name: "accept-unmounted", Usage: "make it though what should be mounted there is not: it lies on the disk beneath then, and is hidden once that is mounted"},
			&cli.BoolFlag{Name: "make-bucket", Usage: "make the bucket, too, where the repository is to be in one that is not there"},
			parityFlag("which kist settings changes"),
			deltasFlag("on", "which kist settings changes; never with --apart"),
			&cli.StringFlag{Name: "label", Usage: "`TEXT` that tells the key slot from others; it can be read without a key"},
		}, otherFlags()...),
		Description: `
The folder is made if it is missing, and refused if it is not empty, or lies within another
repository. So is what is below the prefix in a bucket, s3://BUCKET/PREFIX; the bucket must be there, unless --make-bucket is given. It is
tried whether the object store keeps two writers of one name apart, and refused where it does not. The new
passphrase is asked for twice, or read from --passphrase-file. With --key-file
a key file takes its place: it is made if it is missing.

Whoever loses every passphrase and key file loses all data. Nobody can help.

Whoever sees how the repository grows and can have files captured can find out whether
a file is stored already: it adds nothing. With --apart that fails across captures of
different names: the same content is stored once for each name, and no two files are
compressed together. That takes more space, with --stored much more.

With --replica-of it becomes a second place of that repository: captures are copied between
the two by kist replicate, and each is thinned out for itself. It has those settings of the
first that can't be changed, its deltas, unless --deltas says otherwise, and no parity, unless --parity
says so; and a passphrase or key file of its own, unless you give it the same. OTHER is opened by
--other-key-file or --other-passphrase-file, else by the file named for the new one, if that opens it,
else by a passphrase that is asked for. A second place that lost the mark of which place it is, in place/,
is taken for the first, and kist replicate refuses it: with --again it gets one, that which it had where captures wait on this
machine to be sent to it; nothing else of it changes.

Example:
  kist setup --repository /mnt/share/kist
  kist setup --repository /mnt/share/kist --key-file /root/kist.key
  kist setup --repository /mnt/share/kist --parity 3%
  kist setup --repository /mnt/offsite/kist --replica-of /mnt/share/kist`,
		Action: a.setup,
	}
}

func (a *app) setup(c *cli.Context) error {
	if err := cmdline.WantArgs(c, 0, 0); err != nil {
		return err
	}
	average, err := parseAverage(c.String("chunk-average"))
	if err != nil {
		return err
	}
	grace, err := parseSetupGrace(c.String("grace"))
	if err != nil {
		return err
	}
	recheck := c.String("recheck")
	if recheck != "on" && recheck != "off" {
		return usagef("--recheck %q: it is on or off", recheck)
	}
	apart, err := parseApart(c.Bool("apart"), c.Bool("stored"))
	if err != nil {
		return err
	}
	parity := 0
	if c.IsSet("parity") {
		if parity, err = parseParity(c.String("parity")); err != nil {
			return err
		}
	}
	deltas, err := parseDeltas(c.String("deltas"))
	if err != nil {
		return err
	}
	if apart != store.Together {
		if c.IsSet("deltas") && deltas != store.DeltasOff {
			return usagef("setup: --apart and --deltas %s are both given: lengths would tell what contents are alike", c.String("deltas"))
		}
		deltas = store.DeltasOff
	}
	place, err := a.repositoryPlace()
	if err != nil {
		return err
	}
	files, err := a.secretFiles()
	if err != nil {
		return err
	}
	if lost := a.checkMounted(place, true); lost != nil && !c.Bool("accept-unmounted") {
		return &advised{lost, "Nothing was made. Mount it first; --accept-unmounted makes the repository here all the same."}
	}
	if c.Bool("again") {
		return a.placeAgain(c, place)
	}
	if c.IsSet("replica-of") {
		return a.setupReplica(c, place, files, parity, deltas)
	}
	for _, flag := range []string{"other-passphrase-file", "other-key-file"} {
		if c.IsSet(flag) {
			return usagef("setup: --%s goes with --replica-of", flag)
		}
	}
	o := store.CreateOptions{ChunkAverage: average, Grace: grace, NoRecheck: recheck == "off", Apart: apart, Parity: parity, Deltas: deltas, Host: hostName(), Reserve: store.DefaultReserve, Slot: crypt.SlotOptions{Label: c.String("label"), Made: time.Now()}}
	r, err := a.create(c, place, files, func(ctx context.Context, st storage.Storage, secret crypt.Secret) (*store.Repository, error) {
		return store.Create(ctx, st, secret, o)
	})
	if err != nil {
		return err
	}
	defer r.Close()
	a.warnElsewhere(spoolName(r.Repository))
	return a.printSetup(r, files, parity, deltas)
}

// creating makes a repository in an empty storage.
type creating func(context.Context, storage.Storage, crypt.Secret) (*store.Repository, error)

// create makes the repository, or leaves nothing behind but where the place is silent.
func (a *app) create(c *cli.Context, place where.Place, files secrets.Files, do creating) (_ *repository, err error) {
	ctx := c.Context
	w := a.waitFor(place, a.patience.most, a.patience.lost)
	prepare := a.prepareFolder
	if place.InBucket() {
		prepare = a.prepareBucket
	}
	at, unmake, err := prepare(c, place, w)
	if err != nil {
		w.stop()
		return nil, withSilence(ctx, err)
	}
	undo := func() {}
	defer func() {
		if err != nil {
			// Somebody who was quicker may have taken the same key file, or there may be a repository that it opens.
			if !errors.Is(err, store.ErrExists) && !errors.Is(err, store.ErrLeft) {
				undo()
			}
			if w.Silent().For == 0 {
				unmake()
			}
			letGo(at)
			w.stop()
		}
	}()
	secret, undoSecret, err := a.setupSecret(ctx, files)
	if err != nil {
		return nil, err
	}
	undo = undoSecret
	r, err := do(ctx, at.Objects, secret)
	if errors.Is(err, store.ErrExists) && !errors.Is(err, store.ErrLeft) && files.Key != "" {
		err = &advised{err, "Nothing of what this run put is left, but for the key file: whoever was quicker may have been given the same one."}
	}
	if errors.Is(err, store.ErrLeft) {
		err = &advised{err, "kist list tells whether there is a repository all the same, which opens by what was given. If not, remove what is left by hand, or choose another place."}
	}
	if err != nil {
		return nil, err
	}
	made := &repository{Repository: r, at: at, waited: w, getenv: a.getenv}
	a.noteMount(made)
	if anchored, ok := at.Objects.(storage.Anchored); ok {
		err = anchored.SetAnchor(anchor)
	}
	return made, err
}

// prepareFolder makes the folder of a repository. unmake takes away what was made of one that was not finished.
func (a *app) prepareFolder(c *cli.Context, place where.Place, w *waited) (_ *where.Opened, unmake func(), err error) {
	if c.Bool("make-bucket") {
		return nil, nil, usagef("setup: --make-bucket goes with a repository in a bucket, s3://BUCKET/PREFIX")
	}
	path, absent := place.Path(), false
	at, err := leaveBehind(c.Context, func() (*where.Opened, error) {
		defer w.Begin("look at", "")()
		if err := checkFree(place); err != nil {
			return nil, err
		}
		_, err := os.Stat(path) // a folder that was there stays, whatever happens
		absent = err != nil
		folder, err := storage.CreateFolderAt(w.Place(a.place(path)), store.Folders()...)
		if err != nil {
			return nil, err
		}
		return place.OfFolder(folder), nil
	})
	return at, func() { unmakeFolder(path, absent) }, err
}

// checkFree refuses a place where no repository can be made.
func checkFree(place where.Place) error {
	path := place.Path()
	if _, err := os.Stat(filepath.Join(path, anchor)); err == nil {
		return fmt.Errorf("%s: %w", path, store.ErrExists)
	}
	if err := cmp.Or(checkNoFile(place), checkLocal(place)); err != nil {
		return err
	}
	if err := checkAbove(path); err != nil {
		return err
	}
	return checkNotWithin(place)
}

// checkAbove refuses what can't be made, since the folder above is missing.
func checkAbove(path string) error {
	if above := filepath.Dir(paths.Absolute(path)); !files.IsFolder(above) {
		return missing(fmt.Errorf("%s can't be made: folder %s is not there: make it, or mount what belongs there", screen.Line(path), screen.Line(above)))
	}
	return nil
}

// setupSecret gives the first secret. A key file that is there is taken as it is.
func (a *app) setupSecret(ctx context.Context, files secrets.Files) (crypt.Secret, func(), error) {
	if files.Key != "" {
		if _, err := os.Lstat(files.Key); err == nil {
			key, err := a.secrets().ReadKeyFile(files.Key)
			return key, func() {}, err
		}
	}
	return a.newSecret(ctx, files)
}

// unmakeFolder removes the folders of a repository that was not finished, unless something is in them: what store.Create put it
// has taken back, and anything else is of somebody who makes one here at the same time.
func unmakeFolder(path string, itself bool) {
	if _, err := os.Lstat(filepath.Join(path, anchor)); !errors.Is(err, fs.ErrNotExist) {
		return
	}
	for _, kind := range []string{"place", "keyslots"} { // where something comes first
		if there, _ := os.ReadDir(filepath.Join(path, kind)); len(there) > 0 {
			return
		}
	}
	for _, kind := range store.Folders() {
		os.Remove(filepath.Join(path, kind))
	}
	if itself {
		os.Remove(path)
	}
}

func (a *app) printSetup(r *repository, files secrets.Files, parity int, deltas store.Deltas) error {
	if a.JSON {
		err := a.PrintJSON(struct {
			Repository string    `json:"repository"`
			ID         string    `json:"id"`
			Made       time.Time `json:"made"`
			Average    int       `json:"chunk_average"`
			Grace      int64     `json:"grace_seconds"`
			Recheck    string    `json:"recheck,omitempty"`
			Apart      string    `json:"apart,omitempty"`
			Place      string    `json:"place,omitempty"`
			Parity     int       `json:"parity_percent,omitempty"`
			Deltas     string    `json:"deltas,omitempty"`
		}{r.at.String(), r.ID().String(), r.Made(), r.ChunkAverage(), int64(r.Grace() / time.Second), map[bool]string{false: "off"}[r.Recheck()], string(r.Apart()), r.Place(), parity, map[bool]string{true: deltasText(deltas)}[deltas != store.DeltasOff]})
		if err != nil {
			return err
		}
	} else {
		what := "Repository"
		if r.Place() != "" {
			what = "A second place of repository"
		}
		a.Tell("%s %s is ready in %s.\n", what, r.ID(), screen.Printable(r.at.String()))
		a.Tell("Chunks have %s on average; what is retired can be taken back for %s.\n",
			screen.Size(uint64(r.ChunkAverage())), screen.DurationText(r.Grace()))
		if parity > 0 {
			a.Tell("Slabs get %s of parity, and small files a second copy; kist settings --parity changes it.\n", parityText(parity))
		}
		if deltas != store.DeltasOff {
			a.Tell("Deltas are %s; kist settings --deltas changes it. Releases from before there were any can't read such captures.\n", deltasText(deltas))
		}
		if !r.Recheck() {
			a.Tell("Captures don't read back what they compress.\n")
		}
		switch r.Apart() {
		case store.ApartCompressed:
			a.Tell("Captures of different names share nothing, and no two files are compressed together.\n")
		case store.ApartStored:
			a.Tell("Captures of different names share nothing, and nothing is compressed.\n")
		}
	}
	key := "the passphrase"
	if files.Key != "" {
		key = "the key file " + screen.Printable(files.Key)
	}
	if a.JSON {
		a.Warn("without %s nothing in this repository can ever be read again: keep it in a second place", key)
		return nil
	}
	a.Beside(fmt.Sprintf(`
IMPORTANT: without %s nothing in this repository can ever be read again.
Losing every passphrase and key file loses all data, and nobody can bring it back: a copy of the key slots does not help without one of them. Keep one in a second place today. kist passphrase add lets another one open the repository.`, key))
	return nil
}

// parseAverage reads a chunk length.
func parseAverage(s string) (int, error) {
	n, err := humanize.ParseBytes(s)
	if err != nil || n < chunk.MinAverage || n > chunk.MaxAverage || n&(n-1) != 0 {
		return 0, usagef("--chunk-average %q: it must be a power of two from 8KiB to 1MiB", s)
	}
	return int(n), nil
}

// parseApart reads how captures are kept apart.
func parseApart(apart, stored bool) (store.Apart, error) {
	switch {
	case stored && !apart:
		return "", usagef("--stored goes with --apart only")
	case stored:
		return store.ApartStored, nil
	case apart:
		return store.ApartCompressed, nil
	}
	return store.Together, nil
}

// parseSetupGrace reads the grace time of a repository. The store knows its bounds,
// but takes 0 for its default.
func parseSetupGrace(s string) (time.Duration, error) {
	d, err := cmdline.Duration(s)
	if err != nil {
		return 0, usagef("--grace %w", err)
	}
	if d == 0 {
		return 0, usagef("--grace %q: it is a minute at least, so that a mistake can be taken back (kist reclaim --grace 0 is for whoever needs the space at once)", s)
	}
	return d, nil
}
