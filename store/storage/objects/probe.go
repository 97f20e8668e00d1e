package objects

import (
	"context"
	"errors"
	"fmt"

	"github.com/minio/minio-go/v7"

	"github.com/kistarchive/kist/store/storage"
)

// A Finding is what was found out about one property of a bucket.
type Finding int

// Findings.
const (
	Unknown Finding = iota // the key may not ask, or the engine does not know the question
	No
	Yes
)

// String gives one word.
func (f Finding) String() string {
	switch f {
	case No:
		return "no"
	case Yes:
		return "yes"
	}
	return "unknown"
}

// Properties are what [Storage.Probe] finds out about a bucket.
type Properties struct {
	// Conditional: a conditional write does not replace what is there. Where it is No, two machines that put one name at the same time
	// are not told from each other: the object of one is lost, and two may hold one lease.
	Conditional Finding

	// Late: the store does not show what it has just taken, or shows what it has removed, as where a gateway, a cache or a second site
	// lags behind. Where it is Yes, whoever reclaims may not see what a capture needs. No says that a few tries met none.
	Late Finding

	// Removes: the key may remove objects. Where it is No, it can't reclaim, and its leases stay until another one removes them.
	Removes Finding

	// Versions: the bucket keeps, or kept at some time, what is removed or replaced as earlier versions. These take their room until
	// the bucket's own rules remove them.
	Versions Finding

	// Locked: the bucket has object lock, so that versions can't be removed before a time. LockDefault says for how long what is put
	// is locked where nobody says otherwise, in the bucket's words; empty: it is not.
	Locked      Finding
	LockDefault string
}

// probeTries is how often what the store shows is tried: of two gateways that are chosen by lot, one that lags behind is missed
// once in a million times, as each try looks four times; one of three once in 3,000.
const probeTries = 5

// Probe tries, in the bucket and below the prefix, what a repository relies on: it puts a small object twice by conditional writes,
// reads and lists it, removes it, and looks whether it is gone; several times, and by connections of their own, so that what spreads them
// over gateways can choose. It asks for versions and locks where the key may.
//
// [ErrCondition]: conditional writes are refused, so that nothing can be put. [ErrNoBucket], [ErrDenied] and others: the place can't be
// used. What was put and could not be removed goes with RemoveAside.
func (s *Storage) Probe(ctx context.Context) (Properties, error) {
	p := Properties{Late: No}
	o := s.operation("try the bucket", "")
	for range probeTries {
		if call, err := s.try(ctx, &p); err != nil {
			return p, o.fail(call, err)
		}
		if p.Late == Yes {
			break
		}
	}
	err := s.ask(ctx, &p)
	return p, o.fail("ask for versions and locks", err)
}

// try tries once what a repository relies on. It gives the call that failed.
func (s *Storage) try(ctx context.Context, p *Properties) (call string, err error) {
	key := s.asideKey()
	s.idle()
	if err := s.create(ctx, key, whole("once")); err != nil {
		return "put", err
	}
	s.idle()
	err = s.create(ctx, key, whole("twice"))
	if err != nil && !errors.Is(err, storage.ErrExists) {
		return "put again", err
	}
	if p.Conditional != No { // now and then is too seldom
		p.Conditional = finding(err != nil)
	}
	if call, err := s.tryShown(ctx, key, true, p); err != nil {
		return call, err
	}
	switch err := s.remove(ctx, key); {
	case err == nil:
		p.Removes = Yes
	case errors.Is(explain(err), ErrDenied):
		p.Removes = No
		return "", nil
	default:
		return "remove", err
	}
	return s.tryShown(ctx, key, false, p)
}

// tryShown looks whether an object is read and listed, or neither.
func (s *Storage) tryShown(ctx context.Context, key string, is bool, p *Properties) (call string, err error) {
	s.idle()
	err = s.again(ctx, func(ctx context.Context) error { return s.readRange(ctx, key, make([]byte, 4), 0) })
	absent := errors.Is(explain(err), storage.ErrNotFound)
	if err != nil && !absent {
		return "read", err
	}
	s.idle()
	listed := false
	err = s.walk(ctx, key, func(object minio.ObjectInfo) { listed = listed || object.Key == key })
	if err != nil {
		return "list", err
	}
	if absent == is || listed != is {
		p.Late = Yes
	}
	return "", nil
}

// Keeps asks whether the bucket keeps versions or locks objects, and puts nothing. What the key may not ask, or the engine does not know, is
// [Unknown], as Conditional and Removes are.
func (s *Storage) Keeps(ctx context.Context) (Properties, error) {
	var p Properties
	err := s.ask(ctx, &p)
	return p, s.operation("ask for versions and locks", "").fail("", err)
}

// ask fills in what only some keys may ask for, and not all engines know.
func (s *Storage) ask(ctx context.Context, p *Properties) error {
	if err := s.askVersions(ctx, p); err != nil {
		return err
	}
	return s.askLock(ctx, p)
}

func (s *Storage) askVersions(ctx context.Context, p *Properties) error {
	err := s.again(ctx, func(ctx context.Context) error {
		versions, err := s.core.GetBucketVersioning(ctx, s.bucket)
		if err == nil {
			p.Versions = finding(versions.Status != "")
		}
		return err
	})
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if _, isAnswer := answered(err); err != nil && !isAnswer {
		return err
	}
	return nil
}

func (s *Storage) askLock(ctx context.Context, p *Properties) error {
	err := s.again(ctx, func(ctx context.Context) error {
		lock, mode, validity, unit, err := s.core.GetObjectLockConfig(ctx, s.bucket)
		if err == nil {
			p.Locked, p.LockDefault = finding(lock == "Enabled"), lockDefault(mode, validity, unit)
		}
		return err
	})
	switch _, isAnswer := answered(err); {
	case ctx.Err() != nil:
		return ctx.Err()
	case isCode(err, "ObjectLockConfigurationNotFoundError"):
		p.Locked = No
	case err != nil && !isAnswer:
		return err
	}
	return nil
}

func finding(is bool) Finding {
	if is {
		return Yes
	}
	return No
}

func lockDefault(mode *minio.RetentionMode, validity *uint, unit *minio.ValidityUnit) string {
	if mode == nil || validity == nil || unit == nil {
		return ""
	}
	return fmt.Sprintf("%s, %d %s", plain(string(*mode)), *validity, plain(string(*unit)))
}

// Retained implements [storage.Retainer]: the versions below the prefix that are not current. Where the bucket keeps none, that takes one
// request, else one more for each 1,000 versions, and the right to list them.
func (s *Storage) Retained(ctx context.Context) (storage.Retained, error) {
	o := s.operation("look for what is kept of what was removed", "")
	var p Properties
	if err := s.askVersions(ctx, &p); err != nil || p.Versions == No {
		return storage.Retained{}, o.fail("", err)
	}
	kept, err := s.retained(ctx)
	if _, isAnswer := answered(err); isAnswer && !errors.Is(explain(err), ErrBusy) {
		err = fmt.Errorf("%w: %w", errors.ErrUnsupported, explain(err))
	}
	return kept, o.fail("list versions", err)
}

func (s *Storage) retained(ctx context.Context) (kept storage.Retained, err error) {
	behind := "" // all versions of what comes before are counted
	err = s.again(ctx, func(ctx context.Context) error {
		of, last := storage.Retained{}, behind
		for version := range s.core.ListObjectsIter(ctx, s.bucket, minio.ListObjectsOptions{Prefix: s.prefix, Recursive: true, WithVersions: true, StartAfter: behind}) {
			if version.Err != nil {
				return version.Err
			}
			if version.Key != last {
				kept.Objects, kept.Bytes, behind = kept.Objects+of.Objects, kept.Bytes+of.Bytes, last
				of, last = storage.Retained{}, version.Key
				attemptOf(ctx).progressed.Store(true)
			}
			if !version.IsLatest && !version.IsDeleteMarker {
				of.Objects, of.Bytes = of.Objects+1, of.Bytes+version.Size
			}
		}
		kept.Objects, kept.Bytes = kept.Objects+of.Objects, kept.Bytes+of.Bytes
		return ctx.Err() // the list of a context that ended stops without a word
	})
	return kept, err
}
