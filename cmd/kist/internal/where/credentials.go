package where

import (
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
	SecretProxy   string   // the name of a variable with a proxy and a password for it, which is among none of these; "": there is none
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
		k.Variables = append(k.Variables, "AWS_CA_BUNDLE="+paths.Absolute(file))
	}
	for _, name := range []string{"HTTPS_PROXY", "https_proxy", "HTTP_PROXY", "http_proxy", "NO_PROXY", "no_proxy"} {
		switch value := getenv(name); {
		case value == "":
		case strings.Contains(value, "@"):
			k.SecretProxy = name
		default:
			k.Variables = append(k.Variables, name+"="+value)
		}
	}
	return k
}
