package objects

import (
	"context"
	"crypto/rand"
	"fmt"
	"io/fs"
	"strings"
	"time"

	"github.com/minio/minio-go/v7"

	"github.com/kistarchive/kist/store/storage"
)

// asideFolder holds small objects by which something is found out; no object of a repository can have such a name.
const asideFolder = "_aside/"

func (s *Storage) asideKey() string { return s.prefix + asideFolder + strings.ToLower(rand.Text()) }

// Now implements [storage.Clock]: it puts a small object, asks when that was written, and removes it. So it is by the clock that
// gives all other times, which the header Date of an answer need not be, where several gateways answer.
func (s *Storage) Now(ctx context.Context) (time.Time, error) {
	now, err := s.now(ctx)
	return now, s.operation("ask for the time", "").fail("", err)
}

func (s *Storage) now(ctx context.Context) (time.Time, error) {
	key := s.asideKey()
	if err := s.create(ctx, key, whole("time")); err != nil {
		return time.Time{}, err
	}
	var info minio.ObjectInfo
	err := s.shown(ctx, key, func() (err error) {
		info, err = s.head(ctx, key)
		return err
	})
	s.remove(ctx, key) // where the key has the right to; RemoveAside tries again
	return info.LastModified.Truncate(time.Second), err
}

// RemoveAside implements [storage.Sweeper]: uploads in parts that nobody went on with, and what was put to find something out. The
// parts of an upload that is under way look as if they were left: age must be longer than a part of 40 MiB takes.
func (s *Storage) RemoveAside(ctx context.Context, age time.Duration) (removed []storage.Info, err error) {
	o := s.operation("remove what was left aside", "")
	if age < 0 {
		return nil, o.fail("", fs.ErrInvalid)
	}
	left, err := s.aside(ctx)
	if err != nil || len(left) == 0 {
		return nil, o.fail("list", err)
	}
	now, err := s.now(ctx)
	if err != nil {
		return nil, o.fail("ask for the time", err)
	}
	for _, l := range left {
		if now.Sub(l.Modified) <= age {
			continue
		}
		if err := l.remove(ctx); err != nil {
			return removed, o.fail("remove "+l.Name, err)
		}
		removed = append(removed, l.Info)
	}
	return removed, nil
}

// leftover is something that List does not show.
type leftover struct {
	storage.Info
	remove func(context.Context) error
}

// aside gives all that was left, or is under way.
func (s *Storage) aside(ctx context.Context) (left []leftover, err error) {
	err = s.walk(ctx, s.prefix+asideFolder, func(object minio.ObjectInfo) {
		info := storage.Info{Name: strings.TrimPrefix(object.Key, s.prefix), Size: object.Size, Modified: object.LastModified.Truncate(time.Second)}
		left = append(left, leftover{info, func(ctx context.Context) error { return s.remove(ctx, object.Key) }})
	})
	if err != nil {
		return nil, err
	}
	uploads, err := s.uploads(ctx)
	return append(left, uploads...), err
}

// uploads gives the uploads in parts that are not joined. They are held against what was asked for, as they will be given up: an
// engine takes the end of an upload that has no id for the removal of the object (Ceph 16.2 does), and who has no key, but stands
// between, could have any object removed.
func (s *Storage) uploads(ctx context.Context) (left []leftover, err error) {
	var a attempt
	for key, id, more := "", "", true; more; {
		var page minio.ListMultipartUploadsResult
		err := s.again(ctx, func(ctx context.Context) (err error) {
			page, err = s.core.ListMultipartUploads(ctx, s.bucket, s.prefix, key, id, "", 1000)
			return err
		})
		if err != nil {
			return nil, err
		}
		if err := a.page(); err != nil {
			return nil, err
		}
		for _, upload := range page.Uploads {
			if !strings.HasPrefix(upload.Key, s.prefix) || upload.UploadID == "" {
				return nil, fmt.Errorf("%w: the list of uploads has one that was not asked for, or that has no id", errLastingAnswer)
			}
			l, err := s.upload(ctx, upload)
			if err != nil {
				return nil, err
			}
			left = append(left, l)
			a.object()
		}
		more = page.IsTruncated && (page.NextKeyMarker != key || page.NextUploadIDMarker != id)
		key, id = page.NextKeyMarker, page.NextUploadIDMarker
	}
	return left, nil
}

// upload describes one upload by its first 1,000 parts; one that is gone by now has none.
func (s *Storage) upload(ctx context.Context, of minio.ObjectMultipartInfo) (leftover, error) {
	var parts minio.ListObjectPartsResult
	err := s.again(ctx, func(ctx context.Context) (err error) {
		parts, err = s.core.ListObjectParts(ctx, s.bucket, of.Key, of.UploadID, 0, 1000)
		return err
	})
	if err != nil && !isCode(err, "NoSuchUpload") {
		return leftover{}, err
	}
	info := storage.Info{Name: strings.TrimPrefix(of.Key, s.prefix), Modified: of.Initiated}
	for _, part := range parts.ObjectParts {
		info.Size += part.Size
		if part.LastModified.After(info.Modified) {
			info.Modified = part.LastModified
		}
	}
	return leftover{info, func(ctx context.Context) error {
		err := s.again(ctx, func(ctx context.Context) error {
			return s.core.AbortMultipartUpload(ctx, s.bucket, of.Key, of.UploadID)
		})
		if isCode(err, "NoSuchUpload") {
			return nil
		}
		return err
	}}, nil
}
