package where

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"slices"
	"syscall"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/files"
	"github.com/kistarchive/kist/store/storage/objects"
)

// Opening says how a place is opened.
type Opening struct {
	Getenv func(string) string           // for credentials, a proxy, and AWS_CA_BUNDLE
	Folder func(path string) files.Place // gives where a folder is
	Watch  *files.Watch                  // sees what is waited for
	Most   time.Duration                 // of silence, after which the caller ends the run; 0: any
	Brief  bool                          // calls of an object store are not done again for long, unless Most says so

	// Condition is told whether a bucket heeds the condition of writes; nil: nobody wants to know, and none is tried.
	Condition func(heeded bool)

	// Late is told of an object store that does not show at once what it took or removed; nil: nobody wants to know.
	Late func()
}

// Keeps says which rules of a bucket keep what is removed. It gives zeros for a folder.
func (o *Opened) Keeps(ctx context.Context) (objects.Properties, error) {
	if bucket, ok := o.Objects.(*objects.Storage); ok {
		return bucket.Keeps(ctx)
	}
	return objects.Properties{}, nil
}

// Lags tells whether an object store shows what was a while ago, as far as trying tells. It gives false for a folder.
func (o *Opened) Lags(ctx context.Context) (bool, error) {
	bucket, ok := o.Objects.(*objects.Storage)
	for try := 0; ok && try < lagTries; try++ {
		found, err := bucket.Probe(ctx)
		if err != nil || found.Late == objects.Yes {
			return err == nil, err
		}
	}
	return false, nil
}

// lagTries is how often a store is tried before something is given up by what it shows: one of ten gateways that lags is missed once in 500
// times.
const lagTries = 3

// Opened is a place that is open, with what it holds.
type Opened struct {
	Place
	Objects storage.Storage // with all powers that the place has
	Close   func() error
}

// LeastPatience is how long calls of an object store are done again that fail for what may pass: as long as what is scheduled waits
// for a share.
const LeastPatience = 2 * time.Minute

// briefPatience is that where nothing is waited for that was there before: more likely than not the address is wrong.
const briefPatience = 5 * time.Second

// Open opens a place. Whether something is there is not looked at in a bucket; of a folder that is not there the error is
// fs.ErrNotExist.
func (p Place) Open(ctx context.Context, o Opening) (*Opened, error) {
	if p.InBucket() {
		opened, _, err := p.OpenBucket(ctx, o)
		return opened, err
	}
	folder, err := storage.OpenFolderAt(o.Watch.Place(o.Folder(p.path)))
	if err != nil {
		return nil, err
	}
	return p.OfFolder(folder), nil
}

// OfFolder gives the place with a folder that is open.
func (p Place) OfFolder(folder *storage.Folder) *Opened { return &Opened{p, folder, folder.Close} }

// OpenBucket opens a place in a bucket, and gives what can be done there beside.
func (p Place) OpenBucket(ctx context.Context, o Opening) (*Opened, *objects.Storage, error) {
	patience := max(LeastPatience, o.Most)
	if o.Brief {
		patience = cmp.Or(o.Most, briefPatience)
	}
	options := objects.Options{
		Address: p.bucket, Credentials: objects.FindCredentials(o.Getenv), Env: o.Getenv, Watch: o.Watch, Patience: patience,
		Condition: o.Condition, Late: o.Late,
	}
	if file := o.Getenv("AWS_CA_BUNDLE"); file != "" {
		var err error
		if options.CA, err = os.ReadFile(file); err != nil {
			return nil, nil, fmt.Errorf("the certificates that AWS_CA_BUNDLE names: %w", err)
		}
	}
	s, err := objects.Open(ctx, options)
	if errors.Is(err, objects.ErrOptions) && options.CA != nil { // the rest of them is right
		err = fmt.Errorf("the certificates that AWS_CA_BUNDLE names, %s: %w", o.Getenv("AWS_CA_BUNDLE"), err)
	}
	if err != nil {
		return nil, nil, err
	}
	return &Opened{p, s, s.Close}, s, nil
}

// IsAway tells whether an error says of a place that it can't be reached, rather than what is in it.
func IsAway(err error) bool {
	away := []error{
		storage.ErrGone, objects.ErrSilent, objects.ErrBusy, syscall.ESTALE, syscall.EHOSTDOWN, syscall.EHOSTUNREACH, syscall.ENETUNREACH,
		syscall.ECONNREFUSED, syscall.ECONNRESET, syscall.ETIMEDOUT, syscall.ENOTCONN, syscall.EIO,
	}
	if _, ok := errors.AsType[*net.DNSError](err); ok {
		return true
	}
	return slices.ContainsFunc(away, func(is error) bool { return errors.Is(err, is) })
}

// IsRefused tells whether an error says that an object store does not let the caller in: keys that it does not take, or that may not
// do this, or none, or a clock that is wrong.
func IsRefused(err error) bool {
	refused := []error{objects.ErrKey, objects.ErrDenied, objects.ErrExpired, objects.ErrNoCredentials, objects.ErrSkewed}
	return slices.ContainsFunc(refused, func(is error) bool { return errors.Is(err, is) })
}
