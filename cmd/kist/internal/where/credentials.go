package where

import (
	"cmp"
	"context"
	"errors"
	"io/fs"
	"path/filepath"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/store/storage/objects"
)

// CredentialName is that of the systemd credential in which keys of an object store are looked for.
const CredentialName = objects.SystemdCredential

// Keys says where a process that has another environment finds the keys of an object store.
type Keys struct {
	InEnvironment bool     // the keys themselves are in variables, which it does not get
	File          string   // the shared file, by its absolute path; "" where none is named and no home folder is known
	Variables     []string // NAME=VALUE of what else it needs; none is a secret
	CA            string   // the file that AWS_CA_BUNDLE names, by its absolute path; ""
	ProxySecret   string   // the variable that names a proxy with a user name or password, which is not among Variables; ""
}

// FindKeys says that of an environment. It reads no file.
func FindKeys(getenv func(string) string) Keys {
	k := Keys{InEnvironment: getenv("AWS_ACCESS_KEY_ID") != "", File: getenv("AWS_SHARED_CREDENTIALS_FILE")}
	if home := getenv("HOME"); k.File == "" && home != "" {
		k.File = filepath.Join(home, ".aws", "credentials")
	}
	if k.File != "" {
		k.File = paths.Absolute(k.File)
	}
	for _, name := range []string{"AWS_PROFILE", "AWS_ENDPOINT_URL_S3", "AWS_ENDPOINT_URL", "AWS_REGION", "AWS_DEFAULT_REGION"} {
		if value := getenv(name); value != "" {
			k.Variables = append(k.Variables, name+"="+value)
		}
	}
	if file := getenv("AWS_CA_BUNDLE"); file != "" {
		k.CA = paths.Absolute(file)
		k.Variables = append(k.Variables, "AWS_CA_BUNDLE="+k.CA)
	}
	for _, name := range []string{"HTTPS_PROXY", "HTTP_PROXY", "NO_PROXY"} {
		value := cmp.Or(getenv(name), getenv(strings.ToLower(name)))
		switch {
		case value == "":
		case name != "NO_PROXY" && strings.Contains(value, "@"):
			k.ProxySecret = name
		default:
			k.Variables = append(k.Variables, name+"="+value)
		}
	}
	return k
}

// Check sees that the shared file has keys in the section that AWS_PROFILE names, or in [default]. It fails with
// [objects.ErrNoCredentials]; who may not read the file finds nothing wrong.
func (k Keys) Check(getenv func(string) string) error {
	_, err := objects.FindCredentials(func(name string) string {
		switch name {
		case "AWS_SHARED_CREDENTIALS_FILE":
			return k.File
		case "AWS_PROFILE":
			return getenv(name)
		}
		return ""
	}).Keys(context.Background()) // it asks nobody: a file that is named decides
	if errors.Is(err, fs.ErrPermission) {
		return nil
	}
	return err
}
