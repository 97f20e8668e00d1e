package objects

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"strings"
	"syscall"

	"github.com/minio/minio-go/v7"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/internal/sentinel"
)

// Errors that callers tell apart, by errors.Is, beside those of package storage. Each says what to do.
var (
	// ErrNoBucket is returned where the bucket is not there. It is storage.ErrGone, too.
	ErrNoBucket = sentinel.New("there is no such bucket: see that its name and the endpoint are right, or make it", storage.ErrGone)

	// ErrDenied is returned where the key may not do what was to be done. It is fs.ErrPermission, too.
	ErrDenied = sentinel.New("the object store denies this: see what the key may do in this bucket", fs.ErrPermission)

	// ErrKey is returned where the store does not know the access key, or the secret key does not belong to it.
	ErrKey = errors.New("the object store does not take the access key and secret key: see that both are right, and of this store")

	// ErrExpired is returned where the credentials have expired, and those found anew have, too.
	ErrExpired = errors.New("the credentials have expired: get new ones")

	// ErrSkewed is returned where this machine's clock is too far from the store's: more than 15 minutes, most often.
	ErrSkewed = errors.New("this machine's clock and the object store's are too far apart: set the one that is wrong")

	// ErrRegion is returned where the bucket is in another region than the address says.
	ErrRegion = errors.New("the bucket is in another region: give that one in the address")

	// ErrNoTLS is returned where the endpoint is https, and what answers there is not: most often it is plain http.
	ErrNoTLS = errors.New("what answers at the endpoint does not speak https: give the port that does, or an endpoint with http:// if it is to be plain")

	// ErrFull is returned where the store takes no more. It is syscall.EDQUOT, too.
	ErrFull = sentinel.New("the object store takes no more: free some room, or raise the quota of the bucket or its owner", syscall.EDQUOT)

	// ErrSilent is returned where the store, or what is between, gives no answer for as long as is waited for one.
	ErrSilent = errors.New("the object store does not answer: it, or the network, is down or overloaded, or it is full and holds what is written back")

	// ErrBusy is returned where the store says, for as long as was tried, that it can't do it at present.
	ErrBusy = errors.New("the object store says that it can't do this at present: try later, or see how it is")

	// ErrAnswer is returned where the store answers what was not asked for: it, or what is between, is broken.
	ErrAnswer = errors.New("the answer is not what was asked for: see that the endpoint is an object store's")

	// ErrLate is returned where the store does not show what it took, or shows what it removed, and goes on so for some seconds. It
	// is storage.ErrLate, too.
	ErrLate = sentinel.New("the object store does not show what it has just taken or removed: it keeps nothing, or a gateway, a cache or a second site shows what was a while ago: have all machines use one that is up to date", storage.ErrLate)

	// ErrCondition is returned where the store refuses conditional writes, without which names can't be given out safely.
	ErrCondition = errors.New("the object store refuses conditional writes (If-None-Match): a newer release of it, or another one, is needed")
)

// operation is what an error says of the method that is under way.
type operation struct{ op, name, place string }

// fail dresses err in a *storage.Error; nil stays nil.
func (o operation) fail(call string, err error) error {
	if err == nil {
		return nil
	}
	return &storage.Error{Op: o.op, Name: o.name, Folder: o.place, Call: call, Err: explain(err)}
}

// Codes of errors: Amazon S3 API reference, "Error responses", and for Ceph src/rgw/rgw_common.cc (QuotaExceeded, from memory).
var meanings = map[string]error{
	minio.NoSuchBucket:                   ErrNoBucket,
	minio.NoSuchKey:                      storage.ErrNotFound,
	minio.AccessDenied:                   ErrDenied,
	"AllAccessDisabled":                  ErrDenied,
	"AccountProblem":                     ErrDenied,
	"InvalidAccessKeyId":                 ErrKey,
	"SignatureDoesNotMatch":              ErrKey,
	"ExpiredToken":                       ErrExpired,
	"ExpiredTokenException":              ErrExpired,
	"TokenRefreshRequired":               ErrExpired,
	"InvalidToken":                       ErrKey,
	"RequestTimeTooSkewed":               ErrSkewed,
	"RequestExpired":                     ErrSkewed,
	"AuthorizationHeaderMalformed":       ErrRegion,
	"PermanentRedirect":                  ErrRegion,
	"TemporaryRedirect":                  ErrRegion,
	minio.InvalidRegion:                  ErrRegion,
	"IllegalLocationConstraintException": ErrRegion,
	"QuotaExceeded":                      ErrFull,
	"InsufficientCapacity":               ErrFull,
	"XMinioStorageFull":                  ErrFull,
	"StorageFull":                        ErrFull,
}

// refusal is what an object store answered: a meaning where it is known, and its own words.
type refusal struct {
	meaning error
	answer  minio.ErrorResponse
}

func (r *refusal) Error() string {
	said, status := r.answer.Code, fmt.Sprint(r.answer.StatusCode, " ")
	said = strings.TrimPrefix(said, status) // the library's own, of an answer without words
	if message := strings.TrimPrefix(plain(r.answer.Message), status); message != "" && message != said && message[0] != '<' && r.meaning == nil {
		said += ": " + message
	}
	if region := plain(r.answer.Region); region != "" && r.meaning == ErrRegion {
		said += ", " + region
	}
	if r.answer.StatusCode != 0 {
		said = status + said
	}
	if r.meaning == nil {
		return "the object store refuses this: " + said
	}
	return fmt.Sprintf("%v (%s)", r.meaning, said)
}

func (r *refusal) Unwrap() error { return r.meaning }

// plain shortens what a server said to one line of a text.
func plain(s string) string {
	s = strings.Join(strings.Fields(strings.ToValidUTF8(s, "?")), " ")
	return s[:min(len(s), 200)]
}

// explain gives what an error means, in words that have no secrets in them; nil stays nil.
func explain(err error) error {
	if err == nil || errors.Is(err, storage.ErrNotFound) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	answer, ok := answered(err)
	if !ok && isWithoutTLS(err) {
		return fmt.Errorf("%w (%w)", ErrNoTLS, hideURL(err))
	}
	if !ok {
		return hideURL(err)
	}
	meaning := meanings[answer.Code]
	switch {
	case meaning != nil:
	case isGarbled(answer):
		what, _, _ := strings.Cut(plain(answer.Message), ", failed with")
		return fmt.Errorf("%w (%s)", ErrAnswer, what)
	case answer.StatusCode == http.StatusInsufficientStorage:
		meaning = ErrFull
	case mayPass(answer):
		meaning = ErrBusy
	}
	if meaning == storage.ErrNotFound {
		return meaning
	}
	return &refusal{meaning, answer}
}

// answered gives what the object store answered, where that is what failed.
func answered(err error) (minio.ErrorResponse, bool) {
	return errors.AsType[minio.ErrorResponse](err)
}

// isCode tells whether an error is an answer with that code.
func isCode(err error, code string) bool {
	answer, ok := answered(err)
	return ok && answer.Code == code
}

// isGarbled tells of what is an error to the library alone: an answer that it could make no sense of.
func isGarbled(answer minio.ErrorResponse) bool {
	return answer.StatusCode == 0 && answer.Code == minio.InternalError
}

// mayPass tells of answers that say nothing about the request: it may be sent again.
func mayPass(answer minio.ErrorResponse) bool {
	switch answer.Code {
	case "SlowDown", "InternalError", "ServiceUnavailable", "RequestTimeout", "Throttling", "RequestLimitExceeded",
		"ConditionalRequestConflict", "OperationAborted", // another write of this name is under way
		"BadDigest", "XAmzContentSHA256Mismatch", "IncompleteBody": // what arrived is not what was sent
		return true
	case "NotImplemented":
		return false
	}
	switch answer.StatusCode {
	case http.StatusRequestTimeout, http.StatusTooManyRequests, http.StatusInternalServerError, http.StatusBadGateway,
		http.StatusServiceUnavailable, http.StatusGatewayTimeout:
		return true
	}
	return false
}

// isLasting tells of errors of a connection that no waiting mends: a name that does not exist, a certificate that nobody here trusts,
// a server that speaks otherwise.
func isLasting(err error) bool {
	if dns, ok := errors.AsType[*net.DNSError](err); ok && dns.IsNotFound {
		return true
	}
	for _, is := range []func(error) bool{
		isType[x509.UnknownAuthorityError], isType[x509.HostnameError], isType[x509.CertificateInvalidError],
		isType[*tls.CertificateVerificationError], isType[tls.AlertError],
	} {
		if is(err) {
			return true
		}
	}
	return isWithoutTLS(err)
}

// isWithoutTLS tells of what answers in the clear where TLS was begun.
func isWithoutTLS(err error) bool {
	return isType[tls.RecordHeaderError](err) || strings.Contains(err.Error(), "server gave HTTP response to HTTPS client") // net/http has no type for it
}

func isType[E error](err error) bool {
	_, ok := errors.AsType[E](err)
	return ok
}
