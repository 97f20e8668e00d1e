package where

import (
	"fmt"
	"net/netip"
	"net/url"
	"path/filepath"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/mounts"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store/storage/objects"
)

// Scheme is what addresses of buckets begin with.
const Scheme = objects.Scheme

// ErrBadAddress is returned for what begins as an address of a bucket and is none. The error does not repeat the text, which may
// hold a secret by mistake.
var ErrBadAddress = objects.ErrBadAddress

// ErrNoBucket is returned where the bucket is not there.
var ErrNoBucket = objects.ErrNoBucket

// Place is where a repository is, or is to be.
type Place struct {
	path   string          // of a folder, as it was given
	bucket objects.Address // with what the environment says; zero: it is a folder
}

// Parse reads a path of a folder, or an address, s3://BUCKET/PREFIX with ?endpoint= and &region=, which the environment may say
// instead. It fails with [ErrBadAddress].
func Parse(text string, getenv func(string) string) (Place, error) {
	if !objects.IsAddress(text) {
		return Place{path: text}, nil
	}
	a, err := objects.ParseAddress(text)
	if err != nil {
		return Place{}, err
	}
	if a, err = a.WithEnvironment(getenv); err != nil {
		return Place{}, err
	}
	return Place{bucket: a}, nil
}

// IsAddress tells whether a text is meant as an address of a bucket, and not as a path.
func IsAddress(text string) bool { return objects.IsAddress(text) }

// Full gives a text that names the place whatever the current folder and the environment are: a path, or an address. Of what is no
// address it gives the absolute path, of a wrong address the text.
func Full(text string, getenv func(string) string) string {
	p, err := Parse(text, getenv)
	if err != nil {
		return text
	}
	return p.Full()
}

// InBucket tells whether it is a bucket rather than a folder.
func (p Place) InBucket() bool { return p.bucket.Bucket != "" }

// IsOpen tells of a bucket that is reached without encryption (http) on another machine: whoever is on the way can answer in the place
// of the store.
func (p Place) IsOpen() bool {
	u, err := url.Parse(p.bucket.Endpoint)
	if err != nil || u.Scheme != "http" {
		return false
	}
	at, err := netip.ParseAddr(u.Hostname())
	return u.Hostname() != "localhost" && (err != nil || !at.Unmap().IsLoopback())
}

// IsZero tells whether it names nothing.
func (p Place) IsZero() bool { return p == Place{} }

// String gives the path as it was given, or the address.
func (p Place) String() string {
	if p.InBucket() {
		return p.bucket.String()
	}
	return p.path
}

// Full is String, but names the place whatever the current folder and the environment are.
func (p Place) Full() string {
	if p.InBucket() {
		return p.bucket.String()
	}
	return paths.Absolute(p.path)
}

// Real is Full without links, as far as no share need be asked for that.
func (p Place) Real() string {
	if p.InBucket() {
		return p.Full()
	}
	t, err := mounts.Read()
	if err != nil || len(t) == 0 {
		return paths.Resolve(p.path)
	}
	return t.Resolve(p.path)
}

// Above gives the places that this one lies in, the nearest first: of a folder those above it, without links, up to the root; of a
// bucket the shorter prefixes, up to none.
func (p Place) Above() (above []Place) {
	if p.InBucket() {
		for a := p.bucket; a.Prefix != ""; {
			a.Prefix = a.Prefix[:max(0, strings.LastIndexByte(a.Prefix, '/'))]
			above = append(above, Place{bucket: a})
		}
		return above
	}
	for path := paths.ResolvePlace(p.path); path != filepath.Dir(path); {
		path = filepath.Dir(path)
		above = append(above, Place{path: path})
	}
	return above
}

// Path gives the path of a folder; "" for a bucket.
func (p Place) Path() string { return p.path }

// Mount gives what a folder lies on, without asking the file system that it may be on; the zero Mount where nothing tells, and for a
// bucket.
func (p Place) Mount() mounts.Mount {
	if p.InBucket() {
		return mounts.Mount{}
	}
	t, err := mounts.Read()
	if err != nil {
		return mounts.Mount{}
	}
	return t.Of(t.Resolve(p.path))
}

// OnShare tells whether a folder lies on a share, where calls may hang in the operating system.
func (p Place) OnShare() bool { return p.Mount().IsRemote() }

// IsFar tells whether a network lies between this machine and the place: a share, or an object store.
func (p Place) IsFar() bool { return p.InBucket() || p.OnShare() }

// Text names the place, and what it lies on, for people.
func (p Place) Text() string {
	switch m := p.Mount(); {
	case p.InBucket() && p.bucket.Endpoint != "":
		return fmt.Sprintf("s3://%s/%s (%s)", screen.Printable(p.bucket.Bucket), screen.Printable(p.bucket.Prefix), screen.Printable(p.bucket.Endpoint))
	case m.IsRemote():
		return fmt.Sprintf("%s (%s, %s)", screen.Printable(p.path), screen.Printable(m.Source), screen.Printable(m.Type))
	}
	return screen.Printable(p.String())
}
