package objects

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"net/http"
	"strings"
	"time"

	"github.com/minio/minio-go/v7"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/internal/sentinel"
)

// errLastingAnswer is a wrong answer that will be the same when it is asked for again.
var errLastingAnswer = sentinel.New("this can't be used", ErrAnswer)

// errShort says of an object that it has fewer bytes than were asked for, as io.ErrUnexpectedEOF does, which may also be a connection's.
var errShort = sentinel.New("the object is shorter", io.ErrUnexpectedEOF)

// ReadAt implements [storage.Storage] by one request for the range.
func (s *Storage) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	o := s.operation("read", name)
	if err := begin(ctx, name); err != nil {
		return o.fail("", err)
	}
	if off < 0 || off > math.MaxInt64-int64(len(p)) {
		return o.fail("", fs.ErrInvalid)
	}
	if len(p) == 0 {
		info, err := s.stat(ctx, name)
		if err == nil && info.Size < off {
			err = errShort
		}
		return o.fail("", err)
	}
	return o.fail("", s.shown(ctx, s.key(name), func() error {
		return s.again(ctx, func(ctx context.Context) error { return s.readRange(ctx, s.key(name), p, off) })
	}))
}

// ReadFront implements [storage.FrontReader] by one request for the range, and one more for what is empty.
func (s *Storage) ReadFront(ctx context.Context, name string, p []byte) (info storage.Info, err error) {
	o := s.operation("read", name)
	if err := begin(ctx, name); err != nil {
		return storage.Info{}, o.fail("", err)
	}
	err = errShort
	if len(p) > 0 {
		err = s.shown(ctx, s.key(name), func() error {
			return s.again(ctx, func(ctx context.Context) (err error) {
				info, err = s.readFront(ctx, s.key(name), p)
				return err
			})
		})
	}
	if errors.Is(err, errShort) {
		info, err = s.stat(ctx, name)
	}
	info.Name = name
	if err != nil {
		return storage.Info{}, o.fail("", err)
	}
	return info, nil
}

func (s *Storage) readFront(ctx context.Context, key string, p []byte) (storage.Info, error) {
	content, header, err := s.get(ctx, key, 0, int64(len(p))-1)
	if answer, ok := answered(err); ok && answer.StatusCode == http.StatusRequestedRangeNotSatisfiable {
		return storage.Info{}, errShort
	}
	if err != nil {
		return storage.Info{}, err
	}
	defer content.Close()
	size, err := checkFront(header, int64(len(p)))
	if err != nil {
		return storage.Info{}, err
	}
	modified, err := http.ParseTime(header.Get("Last-Modified"))
	if err != nil {
		return storage.Info{}, fmt.Errorf("%w: it does not say when the object was written: %w", ErrAnswer, err)
	}
	if _, err := io.ReadFull(content, p[:min(size, int64(len(p)))]); err != nil {
		return storage.Info{}, fmt.Errorf("%w: it has fewer bytes than it says: %w", ErrAnswer, errBroken{err})
	}
	return storage.Info{Size: size, Modified: modified.UTC()}, nil
}

func (s *Storage) readRange(ctx context.Context, key string, p []byte, off int64) error {
	last := off + int64(len(p)) - 1
	content, header, err := s.get(ctx, key, off, last)
	if answer, ok := answered(err); ok && answer.StatusCode == http.StatusRequestedRangeNotSatisfiable {
		return errShort
	}
	if err != nil {
		return err
	}
	defer content.Close()
	if err := checkRange(header, off, last); err != nil {
		return err
	}
	if _, err := io.ReadFull(content, p); err != nil {
		return fmt.Errorf("%w: it has fewer bytes than it says: %w", ErrAnswer, errBroken{err})
	}
	return nil
}

func (s *Storage) get(ctx context.Context, key string, from, to int64) (io.ReadCloser, http.Header, error) {
	var options minio.GetObjectOptions
	options.Set("Range", fmt.Sprintf("bytes=%d-%d", from, to))
	content, _, header, err := s.core.GetObject(ctx, s.bucket, key, options)
	return content, header, err
}

// checkRange holds an answer against what was asked for: bytes off to last, both included.
func checkRange(h http.Header, off, last int64) error {
	first, end, size, err := rangeOf(h)
	switch {
	case err != nil:
		return err
	case first == off && end == last && end < size:
		return nil
	case first == off && end == size-1 && size <= last:
		return errShort
	}
	return wrongRange(h, off, last)
}

// checkFront is checkRange for the first n bytes of an object, or all of one that has fewer, and gives its length.
func checkFront(h http.Header, n int64) (size int64, err error) {
	first, end, size, err := rangeOf(h)
	if err == nil && (first != 0 || end != min(n, size)-1) {
		err = wrongRange(h, 0, n-1)
	}
	return size, err
}

// rangeOf gives which bytes an answer has, both included, of how many (RFC 9110, section 14.4).
func rangeOf(h http.Header) (first, last, size int64, err error) {
	said := h.Get("Content-Range")
	if said == "" && h.Get("Content-Length") == "0" {
		return 0, 0, 0, errShort // of what is empty there is no range, and not all servers refuse it
	}
	if n, err := fmt.Sscanf(said, "bytes %d-%d/%d", &first, &last, &size); n != 3 || err != nil || size < 0 {
		return 0, 0, 0, fmt.Errorf("%w: it is not for the range that was asked for, but for %q", ErrAnswer, plain(said))
	}
	return first, last, size, nil
}

func wrongRange(h http.Header, off, last int64) error {
	return fmt.Errorf("%w: it is for %q, not for bytes %d to %d", ErrAnswer, plain(h.Get("Content-Range")), off, last)
}

// Stat implements [storage.Storage].
func (s *Storage) Stat(ctx context.Context, name string) (storage.Info, error) {
	o := s.operation("stat", name)
	if err := begin(ctx, name); err != nil {
		return storage.Info{}, o.fail("", err)
	}
	info, err := s.stat(ctx, name)
	return info, o.fail("", err)
}

func (s *Storage) stat(ctx context.Context, name string) (storage.Info, error) {
	var info minio.ObjectInfo
	err := s.shown(ctx, s.key(name), func() (err error) {
		info, err = s.head(ctx, s.key(name))
		return err
	})
	if err != nil {
		return storage.Info{}, err
	}
	return storage.Info{Name: name, Size: info.Size, Modified: info.LastModified.Truncate(time.Second)}, nil
}

// head asks about one object. An answer to HEAD has no words that tell an object that is absent from a bucket that is, or keys that have
// expired from others: a second request does.
func (s *Storage) head(ctx context.Context, key string) (info minio.ObjectInfo, err error) {
	err = s.again(ctx, func(ctx context.Context) (err error) {
		info, err = s.core.StatObject(ctx, s.bucket, key, minio.StatObjectOptions{})
		if err == nil && info.Size < 0 {
			return fmt.Errorf("%w: it has no length", ErrAnswer)
		}
		if answer, ok := answered(err); ok && answer.StatusCode < http.StatusInternalServerError {
			return s.inWords(ctx, key, err)
		}
		return err
	})
	return info, err
}

// inWords gives what the store says to a GET where it refused a HEAD, or that refusal where the GET succeeds: the object came meanwhile.
func (s *Storage) inWords(ctx context.Context, key string, refusal error) error {
	content, _, err := s.get(ctx, key, 0, 0)
	if err == nil {
		content.Close()
		return refusal
	}
	if answer, ok := answered(err); ok && answer.StatusCode == http.StatusRequestedRangeNotSatisfiable {
		return refusal // it is empty
	}
	return err
}

// List implements [storage.Storage]: a request for each 1,000 objects. Where one fails, the list goes on behind what is known.
func (s *Storage) List(ctx context.Context, folder string) ([]storage.Info, error) {
	return s.ListAfter(ctx, folder, "")
}

// ListAfter implements [storage.AfterLister]: a request for each 1,000 objects that come behind.
func (s *Storage) ListAfter(ctx context.Context, folder, after string) ([]storage.Info, error) {
	prefix, behind := s.prefix, ""
	if folder != "" {
		if err := storage.CheckName(folder); err != nil {
			return nil, s.operation("list", folder).fail("", err)
		}
		prefix += folder + "/"
	}
	if after != "" {
		if err := storage.CheckName(after); err != nil {
			return nil, s.operation("list", after).fail("", err)
		}
		behind = s.key(after)
	}
	infos, err := s.upToDate(ctx, prefix, behind, func() (infos []storage.Info, err error) {
		err = s.walkBehind(ctx, prefix, behind, func(object minio.ObjectInfo) {
			name := strings.TrimPrefix(object.Key, s.prefix)
			if storage.CheckName(name) == nil {
				infos = append(infos, storage.Info{Name: name, Size: object.Size, Modified: object.LastModified.Truncate(time.Second)})
			}
		})
		return infos, err
	})
	if err != nil {
		return nil, s.operation("list", folder).fail("", err)
	}
	return infos, nil
}

// walk calls use for all objects whose keys begin with prefix, in their order.
func (s *Storage) walk(ctx context.Context, prefix string, use func(minio.ObjectInfo)) error {
	return s.walkBehind(ctx, prefix, "", use)
}

// walkBehind is walk for the objects whose keys come behind last.
func (s *Storage) walkBehind(ctx context.Context, prefix, last string, use func(minio.ObjectInfo)) error {
	return s.again(ctx, func(ctx context.Context) error {
		for object := range s.core.ListObjectsIter(ctx, s.bucket, minio.ListObjectsOptions{Prefix: prefix, Recursive: true, StartAfter: last}) {
			switch {
			case object.Err != nil:
				return object.Err
			case !strings.HasPrefix(object.Key, prefix) || object.Key <= last:
				return errors.Join(errLastingAnswer, errors.New("the list is not in order, or is of other objects"))
			}
			last = object.Key
			attemptOf(ctx).object()
			use(object)
		}
		return ctx.Err() // the list of a context that ended stops without a word
	})
}
