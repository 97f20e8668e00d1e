package objects_test

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"

	"github.com/kistarchive/kist/store/storage/objects"
	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// engine is an object store that others made, with places in it that no other test uses.
type engine struct {
	*objectstest.Engine
	keys     objects.StaticKeys
	prefixes int
}

func newEngine(e *objectstest.Engine) *engine {
	return &engine{Engine: e, keys: objects.StaticKeys{AccessKey: e.AccessKey, SecretKey: e.SecretKey}}
}

// options are those of a place of its own in a bucket.
func (e *engine) options(bucket string) objects.Options {
	e.prefixes++
	return objects.Options{
		Address:     objects.Address{Bucket: bucket, Prefix: fmt.Sprint("hazel/", e.prefixes), Endpoint: e.Endpoint},
		Credentials: e.keys,
		Stall:       20 * time.Second,
	}
}

// open gives an empty place in the bucket.
func (e *engine) open(t *testing.T) *objects.Storage { return open(t, e.options("seeds")) }

// client is the library's own, for what the package has no use for.
func (e *engine) client(t *testing.T) *minio.Core {
	core, err := minio.NewCore(strings.TrimPrefix(e.Endpoint, "http://"), &minio.Options{Creds: credentials.NewStaticV4(e.keys.AccessKey, e.keys.SecretKey, "")})
	if err != nil {
		t.Fatal(err)
	}
	return core
}

// parts runs tests that one engine serves, one after the other.
func (e *engine) parts(t *testing.T, tests ...part) {
	for _, test := range tests {
		began := time.Now()
		t.Run(test.name, func(t *testing.T) { test.run(t, e) })
		t.Logf("%s: %.1f s", test.name, time.Since(began).Seconds())
	}
}

type part struct {
	name string
	run  func(*testing.T, *engine)
}

// rounds gives how often a test goes on: KIST_TEST_ROUNDS times, or as often as usual.
func rounds(t testing.TB, usual int) int {
	t.Helper()
	s := os.Getenv("KIST_TEST_ROUNDS")
	if s == "" {
		return usual
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 {
		t.Fatalf("KIST_TEST_ROUNDS is %q: it is a number of rounds", s)
	}
	return n
}
