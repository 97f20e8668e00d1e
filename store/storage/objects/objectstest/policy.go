package objectstest

import (
	"bytes"
	"strings"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// SetPolicy gives a bucket a policy, in the language that all these object stores take (Amazon S3 user guide, "Policies and
// permissions").
func (e *Engine) SetPolicy(bucket, policy string) error {
	core, err := e.client(e.AccessKey, e.SecretKey)
	if err != nil {
		return err
	}
	return core.SetBucketPolicy(e.t.Context(), bucket, policy)
}

// KeepVersions has a bucket keep versions from now on.
func (c *Engine) KeepVersions(bucket string) error {
	core, err := c.client(c.AccessKey, c.SecretKey)
	if err != nil {
		return err
	}
	return core.EnableVersioning(c.t.Context(), bucket)
}

// MakeLocked makes a bucket that locks what is put for a day, in governance mode.
func (c *Engine) MakeLocked(bucket string) error {
	core, err := c.client(c.AccessKey, c.SecretKey)
	if err != nil {
		return err
	}
	if err := core.MakeBucket(c.t.Context(), bucket, minio.MakeBucketOptions{ObjectLocking: true}); err != nil {
		return err
	}
	mode, days, unit := minio.Governance, uint(1), minio.Days
	return core.SetObjectLockConfig(c.t.Context(), bucket, &mode, &days, &unit)
}

// Overwrite puts an object without any condition, with the keys of a user whom "user NAME" made.
func (e *Engine) Overwrite(user, bucket, key string, content []byte) error {
	core, err := e.client(user, user+"-secret")
	if err != nil {
		return err
	}
	_, err = core.PutObject(e.t.Context(), bucket, key, bytes.NewReader(content), int64(len(content)), "", "", minio.PutObjectOptions{})
	return err
}

// RemoveAs removes an object with the keys of such a user.
func (e *Engine) RemoveAs(user, bucket, key string) error {
	core, err := e.client(user, user+"-secret")
	if err != nil {
		return err
	}
	return core.RemoveObject(e.t.Context(), bucket, key, minio.RemoveObjectOptions{})
}

func (e *Engine) client(access, secret string) (*minio.Core, error) {
	return minio.NewCore(strings.TrimPrefix(e.Endpoint, "http://"), &minio.Options{Creds: credentials.NewStaticV4(access, secret, "")})
}
