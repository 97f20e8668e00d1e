package objectstest

import (
	"bytes"
	"strings"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// SetPolicy gives a bucket a policy, in the language that all these object stores take (Amazon S3 user guide, "Policies and
// permissions").
func (c *Ceph) SetPolicy(bucket, policy string) error {
	core, err := c.client(c.AccessKey, c.SecretKey)
	if err != nil {
		return err
	}
	return core.SetBucketPolicy(c.t.Context(), bucket, policy)
}

// KeepVersions has a bucket keep versions from now on.
func (c *Ceph) KeepVersions(bucket string) error {
	core, err := c.client(c.AccessKey, c.SecretKey)
	if err != nil {
		return err
	}
	return core.EnableVersioning(c.t.Context(), bucket)
}

// MakeLocked makes a bucket that locks what is put for a day, in governance mode.
func (c *Ceph) MakeLocked(bucket string) error {
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
func (c *Ceph) Overwrite(user, bucket, key string, content []byte) error {
	core, err := c.client(user, user+"-secret")
	if err != nil {
		return err
	}
	_, err = core.PutObject(c.t.Context(), bucket, key, bytes.NewReader(content), int64(len(content)), "", "", minio.PutObjectOptions{})
	return err
}

// RemoveAs removes an object with the keys of such a user.
func (c *Ceph) RemoveAs(user, bucket, key string) error {
	core, err := c.client(user, user+"-secret")
	if err != nil {
		return err
	}
	return core.RemoveObject(c.t.Context(), bucket, key, minio.RemoveObjectOptions{})
}

func (c *Ceph) client(access, secret string) (*minio.Core, error) {
	return minio.NewCore(strings.TrimPrefix(c.Endpoint, "http://"), &minio.Options{Creds: credentials.NewStaticV4(access, secret, "")})
}
