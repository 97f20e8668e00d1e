package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/objects"
)

// prepareBucket sees that a repository can be made in a bucket, and makes the bucket where that is asked for.
func (a *app) prepareBucket(c *cli.Context, place where.Place, w *waited) (_ *where.Opened, unmake func(), err error) {
	a.warnOfKeys()
	opening := a.opens(w)
	opening.Brief = true
	at, bucket, err := place.OpenBucket(c.Context, opening)
	if err != nil {
		return nil, nil, err
	}
	if err := a.prepare(c, at, bucket, opening); err != nil {
		letGo(at)
		return nil, nil, err
	}
	return at, func() {}, nil // store.Create takes back what it put
}

func (a *app) prepare(c *cli.Context, at *where.Opened, bucket *objects.Storage, o where.Opening) error {
	var making error
	if c.Bool("make-bucket") {
		making = bucket.MakeBucket(c.Context)
		if making != nil && !errors.Is(making, storage.ErrExists) && !errors.Is(making, objects.ErrDenied) {
			return making
		}
	}
	o.Condition = nil // what Probe finds is said
	if err := checkNotWithinBucket(c.Context, at.Place, o); err != nil {
		return err
	}
	found, err := bucket.Probe(c.Context)
	if err != nil && errors.Is(making, objects.ErrDenied) { // else it is there, and that is enough
		return making
	}
	if errors.Is(err, objects.ErrNoBucket) {
		return missing(&advised{err, "Make it, or give --make-bucket."})
	}
	if err != nil {
		return err
	}
	if err := checkBucket(at, found); err != nil {
		return err
	}
	if err := checkEmpty(c.Context, at); err != nil {
		return err
	}
	if at.IsOpen() {
		a.Warn("the endpoint is plain http: whoever is on the way reads nothing of what is captured, but can answer in the place of the object store, so that a capture seems to be stored which is not: use https")
	}
	a.warnOfBucket(found)
	return nil
}

// checkBucket refuses a bucket in which two machines may write one name, or may not see what the other one does.
func checkBucket(at *where.Opened, found objects.Properties) error {
	if found.Late == objects.Yes {
		err := fmt.Errorf("%s: %w", screen.Line(at.String()), objects.ErrLate)
		return &advised{err, "Nothing was made. Captures would be lost there: what others do must be seen at once."}
	}
	if found.Conditional == objects.Yes {
		return nil
	}
	err := fmt.Errorf("%s: conditional writes (If-None-Match) are ignored in this bucket: of two machines that write one name at once the last would win, and the capture of the other be lost", screen.Line(at.String()))
	if found.Versions == objects.Yes || found.Locked == objects.Yes {
		return &advised{err, "Nothing was made. The bucket keeps versions or locks objects, where some object stores ignore them: take a bucket without, or a newer release of the object store."}
	}
	return &advised{err, "Nothing was made. Take a newer release of the object store, or another one."}
}

// warnLate says that an object store lags behind, and stops what must not go by that.
func (a *app) warnLate(place string) {
	a.Warn("%s does not show at once what it has taken or removed: a gateway, a cache or a second site lags behind, or something that it took is lost. "+
		"Captures rely on that: have all machines use one gateway that is up to date, run no kist reclaim until then, and kist verify --full afterwards", place)
	if a.late != nil {
		a.late()
	}
}

// untilLate gives a context that ends, with objects.ErrLate, when it shows that an object store lags behind: for what removes for good
// what nobody seems to need.
func (a *app) untilLate(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancelCause(ctx)
	a.late = func() { cancel(objects.ErrLate) }
	return ctx, func() { cancel(nil) }
}

// checkEmpty refuses a prefix below which something is.
func checkEmpty(ctx context.Context, at *where.Opened) error {
	if _, err := at.Objects.Stat(ctx, anchor); err == nil {
		return fmt.Errorf("%s: %w", screen.Line(at.String()), store.ErrExists)
	} else if !errors.Is(err, storage.ErrNotFound) {
		return err
	}
	all, err := at.Objects.List(ctx, "")
	if err != nil {
		return err
	}
	if len(all) == 0 {
		return nil
	}
	err = fmt.Errorf("%s: there is something below this prefix already, such as %s: choose another prefix", screen.Line(at.String()), screen.Line(all[0].Name))
	if slices.ContainsFunc(all, func(info storage.Info) bool {
		part, _, _ := strings.Cut(info.Name, "/")
		return slices.Contains(partsOf(), part)
	}) {
		return &advised{err, partsLeft}
	}
	return err
}

// warnOfBucket says what a bucket keeps that kist removes, and what a key can't do.
func (a *app) warnOfBucket(found objects.Properties) {
	if found.Removes == objects.No {
		a.Warn("this key may not remove objects: leases of captures stay until they lapse, and kist reclaim needs a key that may")
	}
	switch {
	case found.Locked == objects.Yes && found.LockDefault != "":
		a.Warn("the bucket locks what is put (%s): what kist reclaim removes takes its room until then, and as long as the bucket's rules keep versions", screen.Line(found.LockDefault))
	case found.Versions == objects.Yes:
		a.Warn("the bucket keeps versions: what kist reclaim removes takes its room until a rule of the bucket removes versions that are not current")
	}
}

// warnKept says that what was freed takes its room all the same, where the bucket keeps it.
func (a *app) warnKept(ctx context.Context, r *repository, out *store.Reclaimed) {
	if out.Freed == 0 && out.RetainedBytes == 0 {
		return
	}
	found, err := r.at.Keeps(ctx)
	if err != nil || found.Versions != objects.Yes { // what is not known is nothing to be said
		return
	}
	what := fmt.Sprintf("the %s that are freed take their room", screen.Size(uint64(out.Freed)))
	if out.Retained > 0 {
		what = fmt.Sprintf("%s (%s) of what was removed, by this run or before, take their room", screen.Size(uint64(out.RetainedBytes)), screen.Count(out.Retained, "version", "versions"))
	}
	until := ""
	if found.LockDefault != "" {
		until = fmt.Sprintf(", not before its lock ends (%s from when it was put)", screen.Line(found.LockDefault))
	}
	a.Warn("the bucket keeps versions: %s until a rule of the bucket removes versions that are not current%s", what, until)
}
