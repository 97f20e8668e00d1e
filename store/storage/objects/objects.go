package objects

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"sync/atomic"
	"time"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/files"
)

const (
	// slabSize is what a long content has that package store puts, in bytes.
	slabSize = 32 << 20

	// readersHint is how many requests for parts of objects are worth having under way: at 50 ms a request a restore from a real
	// engine went from 38 MB/s with 4 to 75 MB/s with 16.
	readersHint = 16
)

// Options say which bucket is opened, and how.
type Options struct {
	Address     Address     // Region empty: us-east-1 where there is an endpoint, else it must be given
	Credentials Credentials // must be given; see [FindCredentials]

	// CA holds the certificates, in PEM, that an endpoint's must be signed by; nil: what the system trusts.
	CA []byte

	// Env gives variables by which a proxy is found (HTTPS_PROXY, HTTP_PROXY, NO_PROXY); nil: no proxy.
	Env func(string) string

	// Held is how many bytes of memory calls of Put may have together, not less than [MaxWhole]: each holds its content, but for the
	// first 64 KiB that each has besides, and others wait where it is used up: also for a content that began before and comes slowly.
	// So who takes several captures in at the same time gives 40 MiB for each, and 32 MiB more. 0: 64 MiB.
	Held int64

	// Stall is how long nothing may move in a request before it is given up and sent again; 0: a minute.
	Stall time.Duration

	// Patience is how long a call is done again that fails for what may pass; 0: two minutes. A call so ends after Patience and
	// twice Stall at the latest, unless bytes move all the while.
	Patience time.Duration

	// Watch sees calls that wait for the store, those among them that are done again, and is told of what moves. nil: nobody looks.
	Watch *files.Watch

	// Condition is called, once at most, when it shows whether the store heeds the condition of writes: where this is not nil, the
	// first small object that is put is sent a second time, to see that it is refused. It must not call the storage.
	Condition func(heeded bool)

	// Late is called, once at most, when it shows that the store does not show what it took or removed before, be it for a moment:
	// what others do may be seen too late as well, so that whoever removes what nobody seems to need had better stop. It is called
	// by any goroutine, within a call. nil: nobody is told.
	Late func()
}

// ErrOptions is returned for options that make no sense.
var ErrOptions = errors.New("wrong options for an object store")

// A Storage is a [storage.Storage] in a bucket, below a prefix. It is a [storage.Clock], a [storage.Sweeper], a
// [storage.AfterLister], a [storage.FrontReader], a [storage.Dropper], a [storage.Parallel] and a [storage.Retainer], too.
//
// Objects whose names are not those of CheckName of package storage are taken for absent. In the folder "_aside" below the prefix it
// puts small objects of its own, and removes them again: RemoveAside removes those that stayed.
type Storage struct {
	core     minio.Core
	keys     *credentials.Credentials
	idle     func()
	bucket   string
	prefix   string // with the slash at its end; or ""
	place    string
	region   string
	patience time.Duration
	watch    *files.Watch

	condition func(heeded bool)
	looked    atomic.Bool // whether conditions are heeded
	sums      atomic.Bool // the store wants Content-MD5

	own     ownWrites
	onLate  func()
	wasLate atomic.Bool

	room *room // of contents that are put
}

var _ interface {
	storage.Storage
	storage.Clock
	storage.Sweeper
	storage.AfterLister
	storage.FrontReader
	storage.Dropper
	storage.Parallel
	storage.Retainer
} = (*Storage)(nil)

// Open gives a [Storage] in a bucket. It gets credentials, and sends no request to the store: that a bucket is not there shows with the
// first call, or with [Storage.Probe]. The caller calls Close.
//
// [ErrBadAddress], [ErrOptions], [ErrNoCredentials]: nothing was opened.
func Open(ctx context.Context, options Options) (*Storage, error) {
	o := operation{op: "open", place: options.Address.place()}
	if err := ctx.Err(); err != nil {
		return nil, o.fail("", err)
	}
	s, err := open(options, nil)
	if err != nil {
		return nil, o.fail("", err)
	}
	if _, err := s.keys.GetWithContext(nil); err != nil {
		return nil, o.fail("find credentials", err)
	}
	return s, nil
}

// open gives a storage by connections, or over what stands in for them.
func open(options Options, instead http.RoundTripper) (*Storage, error) {
	a := options.Address
	if err := a.check(); err != nil {
		return nil, err
	}
	if a.Region == "" && a.Endpoint == "" {
		return nil, bad("there is neither an endpoint nor a region")
	}
	if options.Credentials == nil || options.Held != 0 && options.Held < MaxWhole || options.Stall < 0 || options.Patience < 0 {
		return nil, ErrOptions
	}
	transport, err := newTransport(options.CA, options.Env)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrOptions, err)
	}
	s := &Storage{
		keys:      credentials.New(&provider{from: options.Credentials}),
		idle:      transport.CloseIdleConnections,
		bucket:    a.Bucket,
		place:     a.place(),
		region:    orDefault(a.Region, "us-east-1"), // what engines of one's own take (common practice, no source)
		patience:  orDefault(options.Patience, defaultPatience),
		watch:     options.Watch,
		condition: options.Condition,
		onLate:    options.Late,
		room:      newRoom(int(orDefault(options.Held, defaultHeld)/blockSize), mostBlocks),
	}
	if a.Prefix != "" {
		s.prefix = a.Prefix + "/"
	}
	return s, s.connect(a.Endpoint, &bounded{orDefault[http.RoundTripper](instead, transport), orDefault(options.Stall, defaultStall)})
}

// connect makes the client. Where an endpoint is given the bucket goes into the path: names of hosts for each bucket are seldom set up.
func (s *Storage) connect(endpoint string, transport http.RoundTripper) error {
	lookup, host, secure := minio.BucketLookupPath, "s3."+s.region+".amazonaws.com", true
	if endpoint == "" && !strings.Contains(s.bucket, ".") { // a certificate for *.HOST has no room for dots
		lookup = minio.BucketLookupDNS
	}
	if endpoint != "" {
		u, err := url.Parse(endpoint)
		if err != nil {
			return ErrBadAddress
		}
		host, secure = u.Host, u.Scheme == "https"
	}
	core, err := minio.NewCore(host, &minio.Options{
		Creds: s.keys, Secure: secure, Transport: transport, Region: s.region, BucketLookup: lookup, MaxRetries: 1, // see again
	})
	if err != nil {
		return bad("the endpoint can't be used")
	}
	s.core = *core
	if endpoint == "" {
		return checkRegion(host, s.bucket, s.region)
	}
	return nil
}

// checkRegion refuses a region that the client library does not know: it would take the host of another one. It sends nothing.
func checkRegion(host, bucket, region string) error {
	c, err := minio.New(host, &minio.Options{Creds: credentials.NewStaticV4("none", "none", ""), Secure: true, Region: region})
	if err != nil {
		return bad("the region can't be used")
	}
	u, err := c.PresignedGetObject(context.Background(), bucket, "none", time.Minute, nil)
	if err != nil || !strings.Contains(u.Host, "."+region+".") {
		return bad(fmt.Sprintf("the host of the region %s is not known here: see that its name is right, or give the endpoint, too", region))
	}
	return nil
}

func orDefault[T comparable](value, otherwise T) T {
	var zero T
	if value == zero {
		return otherwise
	}
	return value
}

// Place gives the bucket and the prefix, for people: s3://BUCKET/PREFIX.
func (s *Storage) Place() string { return s.place }

// Parallel implements [storage.Parallel]: of slabs as many as are held, and one that begins.
func (s *Storage) Parallel() (writers, readers int) {
	return s.room.total*blockSize/slabSize + 1, readersHint
}

// Close lets connections go. Calls under way may fail; no call may follow.
func (s *Storage) Close() error {
	s.idle()
	return nil
}

// MakeBucket makes the bucket. storage.ErrExists: it is there, and is the caller's; [ErrDenied]: it may be somebody else's.
func (s *Storage) MakeBucket(ctx context.Context) error {
	err := s.again(ctx, func(ctx context.Context) error {
		return s.core.MakeBucket(ctx, s.bucket, minio.MakeBucketOptions{Region: s.region})
	})
	switch {
	case isCode(err, "BucketAlreadyOwnedByYou"):
		err = storage.ErrExists
	case isCode(err, "BucketAlreadyExists"):
		err = ErrDenied
	}
	return s.operation("make the bucket", "").fail("", err)
}

func (s *Storage) operation(op, name string) operation { return operation{op, name, s.place} }

func (s *Storage) key(name string) string { return s.prefix + name }
