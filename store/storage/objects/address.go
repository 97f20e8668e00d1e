package objects

import (
	"errors"
	"fmt"
	"net/url"
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Scheme is what addresses of buckets begin with.
const Scheme = "s3://"

// ErrBadAddress is returned for what is no address of a place in a bucket, or holds more than an address may.
var ErrBadAddress = errors.New("not an address of the form s3://BUCKET/PREFIX?endpoint=https://HOST:PORT&region=REGION")

// An Address tells where in which bucket a repository is. It holds no secret: it may be shown and logged.
type Address struct {
	Bucket string // 3 to 63 of a-z, 0-9, '.' and '-'

	// Prefix is what the names of all objects begin with, up to a slash that is not part of it; at most 512 bytes. Empty: the
	// bucket holds nothing else.
	Prefix string

	// Endpoint is https://HOST or https://HOST:PORT, or the same with http, where nothing on the way is encrypted but what the
	// repository encrypts itself. Empty: the public service that the interface comes from.
	Endpoint string

	Region string // empty: see [Address.WithEnvironment]
}

// IsAddress tells whether a text is meant as an address of a bucket, right or wrong, and not as a path.
func IsAddress(text string) bool {
	return len(text) >= len(Scheme) && strings.EqualFold(text[:len(Scheme)], Scheme)
}

// maxPrefix is the longest prefix, in bytes: a key has 1024 at most (Amazon S3 user guide, "Naming Amazon S3 objects"), and an
// object's name up to 259 of them.
const maxPrefix = 512

// ParseAddress reads an address. The prefix and the values of the query are percent-encoded where they must be, as in every URL.
// [ErrBadAddress]: it is none, or has a user name or password or a query other than endpoint and region: keys have no place in
// an address. The error does not repeat it.
func ParseAddress(text string) (Address, error) {
	u, err := url.Parse(text)
	if err != nil || !IsAddress(text) || u.Opaque != "" || u.Fragment != "" || strings.Contains(text, "#") {
		return Address{}, ErrBadAddress
	}
	if u.User != nil {
		return Address{}, bad("it has a user name or password, which have no place in it")
	}
	query, err := url.ParseQuery(u.RawQuery)
	if err != nil {
		return Address{}, bad("what is behind the question mark can't be read")
	}
	a := Address{Bucket: u.Host, Prefix: strings.TrimSuffix(strings.TrimPrefix(u.Path, "/"), "/")}
	for key, values := range query {
		if len(values) != 1 || values[0] == "" {
			return Address{}, bad("there is not one value for each of what is behind the question mark")
		}
		switch key {
		case "endpoint":
			a.Endpoint = strings.TrimSuffix(values[0], "/")
		case "region":
			a.Region = values[0]
		default:
			return Address{}, bad("behind the question mark only endpoint and region may stand")
		}
	}
	return a, a.check()
}

func bad(why string) error { return fmt.Errorf("%w: %s", ErrBadAddress, why) }

// Amazon S3 user guide, "General purpose bucket naming rules".
var bucketName = regexp.MustCompile(`^[a-z0-9][a-z0-9.-]{1,61}[a-z0-9]$`)

var regionName = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)

// check returns ErrBadAddress for an address that none can be.
func (a Address) check() error {
	if !bucketName.MatchString(a.Bucket) || strings.Contains(a.Bucket, "..") {
		return bad("a bucket's name has 3 to 63 of a-z, 0-9, '.' and '-'")
	}
	if strings.Contains(a.Prefix, "&endpoint=") || strings.Contains(a.Prefix, "&region=") {
		return bad("a question mark, and not &, stands before the first of endpoint and region")
	}
	if why := badPrefix(a.Prefix); why != "" {
		return bad("the prefix " + why)
	}
	if a.Region != "" && !regionName.MatchString(a.Region) {
		return bad("a region's name has letters, digits, '.', '_' and '-'")
	}
	if a.Endpoint == "" {
		return nil
	}
	u, err := url.Parse(a.Endpoint)
	if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Hostname() == "" || u.User != nil || a.Endpoint != u.Scheme+"://"+u.Host {
		return bad("an endpoint is https://HOST or https://HOST:PORT, or the same with http")
	}
	return nil
}

// badPrefix says what is wrong with a prefix, or "".
func badPrefix(prefix string) string {
	switch {
	case prefix == "":
		return ""
	case len(prefix) > maxPrefix:
		return fmt.Sprintf("has more than %d bytes", maxPrefix)
	case !utf8.ValidString(prefix) || strings.ContainsFunc(prefix, func(r rune) bool { return !unicode.IsGraphic(r) || r == '\\' }):
		return "has a character that is not for names"
	}
	for element := range strings.SplitSeq(prefix, "/") {
		if element == "" || element == "." || element == ".." {
			return "has an element that is empty, '.' or '..'"
		}
	}
	return ""
}

// String gives the address as [ParseAddress] reads it.
func (a Address) String() string {
	u := url.URL{Scheme: "s3", Host: a.Bucket, Path: "/" + a.Prefix}
	query := url.Values{}
	if a.Endpoint != "" {
		query.Set("endpoint", a.Endpoint)
	}
	if a.Region != "" {
		query.Set("region", a.Region)
	}
	u.RawQuery = strings.NewReplacer("%3A", ":", "%2F", "/").Replace(query.Encode())
	return strings.TrimSuffix(u.String(), "/")
}

// place is what errors say of the address: bucket and prefix.
func (a Address) place() string { return strings.TrimSuffix(Scheme+a.Bucket+"/"+a.Prefix, "/") }

// WithEnvironment gives the address with what it leaves open filled in, as other programs for this interface take it from the
// environment: the endpoint from AWS_ENDPOINT_URL_S3 or AWS_ENDPOINT_URL, unless AWS_IGNORE_CONFIGURED_ENDPOINT_URLS is true; the
// region from AWS_REGION or AWS_DEFAULT_REGION. env is os.Getenv, say. [ErrBadAddress]: what is there is no endpoint or region.
//
// Source: AWS SDKs and tools reference guide, "Service-specific endpoints" and "AWS Region".
func (a Address) WithEnvironment(env func(string) string) (Address, error) {
	if err := a.check(); err != nil {
		return a, err
	}
	if a.Endpoint == "" && !strings.EqualFold(env("AWS_IGNORE_CONFIGURED_ENDPOINT_URLS"), "true") {
		a.Endpoint = strings.TrimSuffix(first(env, "AWS_ENDPOINT_URL_S3", "AWS_ENDPOINT_URL"), "/")
	}
	if a.Region == "" {
		a.Region = first(env, "AWS_REGION", "AWS_DEFAULT_REGION")
	}
	if err := a.check(); err != nil {
		return a, fmt.Errorf("%w; that is from the environment (AWS_ENDPOINT_URL_S3, AWS_ENDPOINT_URL, AWS_REGION, AWS_DEFAULT_REGION)", err)
	}
	return a, nil
}

// first gives the first of some variables that is not empty, or "".
func first(env func(string) string, names ...string) string {
	for _, name := range names {
		if value := env(name); value != "" {
			return value
		}
	}
	return ""
}
