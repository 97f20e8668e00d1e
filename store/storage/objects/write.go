package objects

import (
	"bytes"
	"context"
	"crypto/md5"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"net/http"
	"strings"
	"time"

	"github.com/minio/minio-go/v7"

	"github.com/kistarchive/kist/store/storage"
)

// MaxWhole is the longest content, in bytes, that goes out in one request: more than a slab has with all parity it may get.
const MaxWhole = 40 << 20

// The token is put with an object, so that a writer whose answer was lost finds that the object is its own.
const (
	tokenKey    = "kist-token"
	tokenHeader = "X-Amz-Meta-Kist-Token"
)

// Put implements [storage.Storage]. A content of up to [MaxWhole] bytes is read into memory and sent by one conditional write.
//
// A longer one goes out in parts of that length, with the condition on the request that joins them; an engine that ignores it there (Ceph
// 16.2 does) lets the last of two such writers of one name win. Names that may meet must stay below: index files have 16 MiB at most, slabs
// 32 MiB and a fifth for parity, and marks go by Mark, in one request whatever they have. A table of what is compressed to very little may
// be longer; its name is drawn at random.
func (s *Storage) Put(ctx context.Context, name string, content io.Reader) error {
	o := s.operation("put", name)
	if err := begin(ctx, name); err != nil {
		return o.fail("", err)
	}
	b := &body{room: s.room}
	defer b.empty()
	err := b.fill(ctx, content)
	switch {
	case err == io.EOF:
		return s.putWhole(ctx, o, b)
	case err != nil:
		return o.fail("read the content", err)
	}
	return s.putParts(ctx, o, b, content)
}

// Mark implements [storage.Storage], as Put does.
func (s *Storage) Mark(ctx context.Context, name string, content []byte) error {
	o := s.operation("mark", name)
	if err := begin(ctx, name); err != nil {
		return o.fail("", err)
	}
	return s.putWhole(ctx, o, whole(content))
}

func begin(ctx context.Context, name string) error {
	if err := storage.CheckName(name); err != nil {
		return err
	}
	return ctx.Err()
}

// A blob is a content in memory, which can be read any number of times.
type blob interface {
	io.ReaderAt
	Size() int64
	hashInto(h hash.Hash)
}

func (s *Storage) putWhole(ctx context.Context, o operation, b blob) error {
	options, token := conditional()
	if err := s.createBy(ctx, s.key(o.name), b, options, token); err != nil {
		return o.fail("", err)
	}
	if s.condition != nil && b.Size() <= smallSize && !s.looked.Swap(true) {
		s.lookAtCondition(ctx, s.key(o.name), b, options)
	}
	return nil
}

// lookAtCondition tells whether a write takes the place of an object that the same call has put, with the same content: rules of the
// bucket, or another release of the engine, may have come since the place was tried.
func (s *Storage) lookAtCondition(ctx context.Context, key string, b blob, options minio.PutObjectOptions) {
	switch err := s.putOnce(ctx, key, b, options); {
	case err == nil:
		s.condition(false)
	case isCode(err, minio.PreconditionFailed):
		s.condition(true)
	}
}

// create writes an object by a conditional write, if there is none of that key.
func (s *Storage) create(ctx context.Context, key string, b blob) error {
	options, token := conditional()
	return s.createBy(ctx, key, b, options, token)
}

func (s *Storage) createBy(ctx context.Context, key string, b blob, options minio.PutObjectOptions, token string) error {
	return s.wrote(key, true, func() error { return s.settle(ctx, key, token, b, s.putOnce(ctx, key, b, options)) })
}

// putOnce sends a content in one request, or in as many as it takes until one is answered.
func (s *Storage) putOnce(ctx context.Context, key string, b blob, options minio.PutObjectOptions) error {
	sum := sumOf(b)
	return s.summed(ctx, b, func(ctx context.Context, md5 string) error {
		put, err := s.core.PutObject(ctx, s.bucket, key, io.NewSectionReader(b, 0, b.Size()), b.Size(), md5, sum, options)
		if err == nil && put.ETag == "" { // who stands between may say that all is well, but has no object (Amazon S3 API reference, PutObject)
			return fmt.Errorf("%w: it does not name the object that was put (ETag)", ErrAnswer)
		}
		return err
	})
}

// summed does a call that sends b: without a Content-MD5, which takes its time and tells nothing that the signed sum does not, unless the
// store wants one, as some do of what they lock (Amazon S3 user guide, "Object Lock considerations").
func (s *Storage) summed(ctx context.Context, b blob, call func(ctx context.Context, md5 string) error) error {
	for {
		sum, wanted := "", s.sums.Load()
		if wanted {
			h := md5.New()
			b.hashInto(h)
			sum = base64.StdEncoding.EncodeToString(h.Sum(nil))
		}
		err := s.again(ctx, func(ctx context.Context) error { return call(ctx, sum) })
		if wanted || !wantsMD5(err) {
			return err
		}
		s.sums.Store(true)
	}
}

// wantsMD5 tells of answers that ask for a Content-MD5. (The codes InvalidRequest, with a text, and MissingContentMD5: from memory.)
func wantsMD5(err error) bool {
	answer, ok := answered(err)
	return ok && answer.StatusCode == http.StatusBadRequest && (answer.Code == "MissingContentMD5" || strings.Contains(strings.ToLower(answer.Message), "content-md5"))
}

// conditional gives options of a write that creates, and the token in them.
func conditional() (minio.PutObjectOptions, string) {
	token := strings.ToLower(rand.Text())
	options := minio.PutObjectOptions{
		UserMetadata:         map[string]string{tokenKey: token},
		DisableContentSha256: true, // no signatures chunk by chunk: the sum of all is signed
	}
	options.SetMatchETagExcept("*")
	return options, token
}

func sumOf(b blob) string {
	h := sha256.New()
	b.hashInto(h)
	return hex.EncodeToString(h.Sum(nil))
}

// settle tells what became of a write. Where the name is taken, it may be by the same call: of a try whose answer was lost. b is what
// was written; nil: it is not there any more.
func (s *Storage) settle(ctx context.Context, key, token string, b blob, err error) error {
	switch {
	case isCode(err, "NotImplemented"):
		return ErrCondition
	case !isCode(err, minio.PreconditionFailed):
		return err
	}
	own, looking := s.isOwn(ctx, key, token, b)
	switch {
	case looking != nil && !errors.Is(explain(looking), storage.ErrNotFound):
		return looking // whose it is is not known
	case own:
		return nil
	}
	return storage.ErrExists
}

// isOwn tells whether an object was put with a token. Of one that has none, as what is between may keep no such headers, the content
// tells, which nobody else can have put where it is sealed.
func (s *Storage) isOwn(ctx context.Context, key, token string, b blob) (bool, error) {
	info, err := s.head(ctx, key)
	if err != nil {
		return false, err
	}
	if there := info.Metadata.Get(tokenHeader); there != "" || b == nil {
		return there == token, nil
	}
	return s.holds(ctx, key, info.Size, b)
}

// holds tells whether an object of that size has the content b.
func (s *Storage) holds(ctx context.Context, key string, size int64, b blob) (bool, error) {
	if size != b.Size() {
		return false, nil
	}
	there, want := make([]byte, min(size, blockSize)), make([]byte, min(size, blockSize))
	for off := int64(0); off < size; off += int64(len(there)) {
		n := min(size-off, blockSize)
		there, want = there[:n], want[:n]
		if err := s.again(ctx, func(ctx context.Context) error { return s.readRange(ctx, key, there, off) }); err != nil {
			return false, err
		}
		if _, err := b.ReadAt(want, off); err != nil && err != io.EOF {
			return false, err
		}
		if !bytes.Equal(there, want) {
			return false, nil
		}
	}
	return true, nil
}

// putParts sends what b holds and the rest of content in parts. Where it fails, what was sent is given up.
func (s *Storage) putParts(ctx context.Context, o operation, b *body, content io.Reader) error {
	key := s.key(o.name)
	_, err := s.head(ctx, key)
	if err == nil {
		return o.fail("", storage.ErrExists)
	}
	if !errors.Is(explain(err), storage.ErrNotFound) {
		return o.fail("look whether the name is taken", err)
	}
	options, token := conditional()
	upload, err := s.beginParts(ctx, key, options)
	if err != nil {
		return o.fail("begin an upload in parts", err)
	}
	parts, call, err := s.sendParts(ctx, key, upload, b, content)
	if err != nil {
		s.giveUp(ctx, key, upload)
		return o.fail(call, err)
	}
	err = s.wrote(key, true, func() error { return s.settleParts(ctx, key, token, s.joinParts(ctx, key, upload, parts)) })
	if err != nil {
		s.giveUp(ctx, key, upload)
		return o.fail("join the parts", err)
	}
	return nil
}

func (s *Storage) beginParts(ctx context.Context, key string, options minio.PutObjectOptions) (upload string, err error) {
	err = s.again(ctx, func(ctx context.Context) (err error) {
		upload, err = s.core.NewMultipartUpload(ctx, s.bucket, key, minio.PutObjectOptions{UserMetadata: options.UserMetadata})
		if err == nil && upload == "" {
			err = fmt.Errorf("%w: the upload has no id", errLastingAnswer) // without one, its requests would be about the object
		}
		return err
	})
	return upload, err
}

// sendParts sends b as often as content fills it.
func (s *Storage) sendParts(ctx context.Context, key, upload string, b *body, content io.Reader) (parts []minio.CompletePart, call string, err error) {
	for ended := false; !ended; {
		part, err := s.sendPart(ctx, key, upload, len(parts)+1, b)
		if err != nil {
			return nil, "send a part", err
		}
		parts = append(parts, part)
		b.empty()
		switch err := b.fill(ctx, content); {
		case err == io.EOF:
			ended = b.Size() == 0
		case err != nil:
			return nil, "read the content", err
		}
	}
	return parts, "", nil
}

func (s *Storage) sendPart(ctx context.Context, key, upload string, number int, b *body) (part minio.CompletePart, err error) {
	sum := sumOf(b)
	err = s.summed(ctx, b, func(ctx context.Context, md5 string) error {
		sent, err := s.core.PutObjectPart(ctx, s.bucket, key, upload, number, io.NewSectionReader(b, 0, b.Size()), b.Size(),
			minio.PutObjectPartOptions{Sha256Hex: sum, Md5Base64: md5, DisableContentSha256: true})
		part = minio.CompletePart{PartNumber: number, ETag: sent.ETag}
		return err
	})
	return part, err
}

func (s *Storage) joinParts(ctx context.Context, key, upload string, parts []minio.CompletePart) error {
	var condition minio.PutObjectOptions
	condition.SetMatchETagExcept("*")
	return s.again(ctx, func(ctx context.Context) error {
		_, err := s.core.CompleteMultipartUpload(ctx, s.bucket, key, upload, parts, condition)
		return err
	})
}

// settleParts is settle for parts: once they were joined, there is no such upload any more.
func (s *Storage) settleParts(ctx context.Context, key, token string, err error) error {
	if !isCode(err, "NoSuchUpload") {
		return s.settle(ctx, key, token, nil, err)
	}
	if own, looking := s.isOwn(ctx, key, token, nil); looking != nil || own {
		return looking
	}
	return err
}

// giveUp frees what was sent of an upload, in a short time; RemoveAside frees what stays.
func (s *Storage) giveUp(ctx context.Context, key, upload string) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer cancel()
	s.core.AbortMultipartUpload(ctx, s.bucket, key, upload)
}

// Remove implements [storage.Storage]. It looks first whether there is such an object, which a store does not tell of a removal.
func (s *Storage) Remove(ctx context.Context, name string) error {
	o := s.operation("remove", name)
	if err := begin(ctx, name); err != nil {
		return o.fail("", err)
	}
	if _, err := s.stat(ctx, name); err != nil {
		return o.fail("look for it", err)
	}
	return o.fail("", s.remove(ctx, s.key(name)))
}

// Drop implements [storage.Dropper] by one request, and one more where the key may not remove: then it may be that nothing is there.
func (s *Storage) Drop(ctx context.Context, name string) error {
	o := s.operation("remove", name)
	if err := begin(ctx, name); err != nil {
		return o.fail("", err)
	}
	err := s.remove(ctx, s.key(name))
	absent := err
	if errors.Is(explain(err), ErrDenied) {
		_, absent = s.head(ctx, s.key(name))
	}
	if absent != nil && errors.Is(explain(absent), storage.ErrNotFound) { // not all stores keep silent about that
		return nil
	}
	return o.fail("", err)
}

func (s *Storage) remove(ctx context.Context, key string) error {
	return s.wrote(key, false, func() error {
		return s.again(ctx, func(ctx context.Context) error {
			return s.core.RemoveObject(ctx, s.bucket, key, minio.RemoveObjectOptions{})
		})
	})
}
