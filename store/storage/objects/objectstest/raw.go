package objectstest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"io"
	"net/url"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// Raw is a client of an object store and nothing more, to compare with.
type Raw struct {
	core   *minio.Core
	bucket string
}

// NewRaw gives one for a bucket. endpoint is http://HOST:PORT, or with https.
func NewRaw(endpoint, access, secret, bucket string) (*Raw, error) {
	u, err := url.Parse(endpoint)
	if err != nil {
		return nil, err
	}
	core, err := minio.NewCore(u.Host, &minio.Options{Creds: credentials.NewStaticV4(access, secret, ""), Secure: u.Scheme == "https", Region: "us-east-1"})
	return &Raw{core, bucket}, err
}

// Put puts an object, with the sum of its bytes signed.
func (r *Raw) Put(ctx context.Context, key string, content []byte) error {
	sum := sha256.Sum256(content)
	_, err := r.core.PutObject(ctx, r.bucket, key, bytes.NewReader(content), int64(len(content)), "", hex.EncodeToString(sum[:]), minio.PutObjectOptions{DisableContentSha256: true})
	return err
}

// Get reads an object to its end.
func (r *Raw) Get(ctx context.Context, key string, into io.Writer) error {
	content, _, _, err := r.core.GetObject(ctx, r.bucket, key, minio.GetObjectOptions{})
	if err != nil {
		return err
	}
	defer content.Close()
	_, err = io.Copy(into, content)
	return err
}

// Remove removes an object.
func (r *Raw) Remove(ctx context.Context, key string) error {
	return r.core.RemoveObject(ctx, r.bucket, key, minio.RemoveObjectOptions{})
}
