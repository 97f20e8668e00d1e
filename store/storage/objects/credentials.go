package objects

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/go-ini/ini"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// ErrNoCredentials is returned where no access key and secret key were found; the error says where they were looked for.
var ErrNoCredentials = errors.New("no credentials for the object store")

// SystemdCredential is the name of the systemd credential (LoadCredential=) that [FindCredentials] reads.
const SystemdCredential = "kist.s3"

// Keys are what requests are signed with.
type Keys struct {
	AccessKey    string
	SecretKey    string
	SessionToken string    // empty for keys that last
	Expires      time.Time // when they do; zero: never, or nobody says
}

// String gives the access key alone, which is no secret.
func (k Keys) String() string { return "access key " + k.AccessKey }

// GoString is String, for %#v.
func (k Keys) GoString() string { return k.String() }

// Credentials give keys. [Open] asks once, and again when the keys are about to expire or the store says that they have. Keys is
// called by one goroutine at a time. [ErrNoCredentials]: there are none.
type Credentials interface {
	Keys(ctx context.Context) (Keys, error)
}

// StaticKeys are [Credentials] that never change.
type StaticKeys Keys

// Keys implements [Credentials]. [ErrNoCredentials]: one of the two keys is empty.
func (k StaticKeys) Keys(context.Context) (Keys, error) {
	if k.AccessKey == "" || k.SecretKey == "" {
		return Keys{}, fmt.Errorf("%w: the access key or the secret key is empty", ErrNoCredentials)
	}
	return Keys(k), nil
}

// String gives the access key alone.
func (k StaticKeys) String() string { return Keys(k).String() }

// GoString is String, for %#v.
func (k StaticKeys) GoString() string { return k.String() }

// FindCredentials gives the [Credentials] of the process that env belongs to, as other programs for this interface find them. The
// first of these that is there counts:
//
//  1. AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, with AWS_SESSION_TOKEN; one without the other is an error.
//  2. The systemd credential "kist.s3" (a file of that name in CREDENTIALS_DIRECTORY), in the form of a shared file.
//  3. The shared file that AWS_SHARED_CREDENTIALS_FILE names, or .aws/credentials in the home folder (HOME, on Windows USERPROFILE):
//     of its profile AWS_PROFILE, or "default", aws_access_key_id, aws_secret_access_key and aws_session_token. A file or profile that is named and is
//     not there is an error. It is read anew when the store says that keys have expired. No program is run that it names.
//  4. The role of the instance, container or service account that this runs in, where the environment names one, or the service at
//     169.254.169.254 answers in 2 seconds, unless AWS_EC2_METADATA_DISABLED is true. The client library reads AWS_CONTAINER_…,
//     AWS_WEB_IDENTITY_TOKEN_FILE and AWS_ROLE_… of the process's own environment.
//
// It reads nothing before Keys is called. The error where there are none, [ErrNoCredentials], names all that was looked at.
//
// Source: AWS SDKs and tools reference guide, "Standardized credential providers"; systemd.exec(5), "Credentials".
func FindCredentials(env func(string) string) Credentials { return &found{env: env} }

type found struct{ env func(string) string }

// Keys implements [Credentials].
func (f *found) Keys(ctx context.Context) (Keys, error) {
	var looked []string
	for _, look := range []func(context.Context) (Keys, string, error){f.variables, f.systemd, f.shared, f.role} {
		keys, where, err := look(ctx)
		if err != nil || keys.AccessKey != "" {
			return keys, err
		}
		looked = append(looked, where)
	}
	return Keys{}, fmt.Errorf("%w: there are none in %s", ErrNoCredentials, strings.Join(looked, "; nor in "))
}

func (f *found) variables(context.Context) (k Keys, where string, err error) {
	k = Keys{AccessKey: f.env("AWS_ACCESS_KEY_ID"), SecretKey: f.env("AWS_SECRET_ACCESS_KEY"), SessionToken: f.env("AWS_SESSION_TOKEN")}
	switch {
	case k.AccessKey == "" && k.SecretKey != "":
		return Keys{}, "", fmt.Errorf("%w: AWS_SECRET_ACCESS_KEY is set, and AWS_ACCESS_KEY_ID is not", ErrNoCredentials)
	case k.AccessKey != "" && k.SecretKey == "":
		return Keys{}, "", fmt.Errorf("%w: AWS_ACCESS_KEY_ID is set, and AWS_SECRET_ACCESS_KEY is not", ErrNoCredentials)
	}
	return k, "the environment (AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY)", nil
}

func (f *found) systemd(context.Context) (Keys, string, error) {
	const where = "the systemd credential " + SystemdCredential
	dir := f.env("CREDENTIALS_DIRECTORY")
	if dir == "" {
		return Keys{}, where, nil
	}
	path := filepath.Join(dir, SystemdCredential)
	k, err := f.profile(path, false)
	if _, there := os.Stat(path); there == nil && k.AccessKey == "" {
		return k, where + ", which has no section [default]", err
	}
	return k, where, err
}

func (f *found) shared(context.Context) (Keys, string, error) {
	path, named := f.env("AWS_SHARED_CREDENTIALS_FILE"), true
	if path == "" {
		home := first(f.env, "HOME", "USERPROFILE")
		if home == "" {
			return Keys{}, "the shared file (no home folder is known)", nil
		}
		path, named = filepath.Join(home, ".aws", "credentials"), f.env("AWS_PROFILE") != ""
	}
	k, err := f.profile(path, named)
	return k, "the shared file " + path, err
}

// profile reads the profile of a shared file; nothing where file or profile is not there, unless they must be.
func (f *found) profile(path string, must bool) (Keys, error) {
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) && !must {
		return Keys{}, nil
	}
	if err != nil {
		return Keys{}, fmt.Errorf("%w: %w", ErrNoCredentials, err)
	}
	file, err := ini.LoadSources(ini.LoadOptions{SkipUnrecognizableLines: true, IgnoreInlineComment: true}, b)
	if err != nil {
		return Keys{}, fmt.Errorf("%w: %s can't be read as a shared file", ErrNoCredentials, path) // its words may hold a secret
	}
	name := f.env("AWS_PROFILE")
	must = must || name != ""
	if name == "" {
		name = "default"
	}
	section, err := file.GetSection(name)
	if err != nil && must {
		return Keys{}, fmt.Errorf("%w: there is no profile %q in %s", ErrNoCredentials, name, path)
	}
	if err != nil {
		return Keys{}, nil
	}
	value := func(key string) string { return strings.TrimSpace(section.Key(key).Value()) }
	k := Keys{AccessKey: value("aws_access_key_id"), SecretKey: value("aws_secret_access_key"), SessionToken: value("aws_session_token")}
	if k.AccessKey == "" || k.SecretKey == "" {
		return Keys{}, fmt.Errorf("%w: the profile %q in %s lacks aws_access_key_id or aws_secret_access_key", ErrNoCredentials, name, path)
	}
	return k, nil
}

// roleTimeout bounds how long a role is asked for: where there is none, nothing may answer at all.
const roleTimeout = 2 * time.Second

func (f *found) role(context.Context) (Keys, string, error) {
	named := first(f.env, "AWS_CONTAINER_CREDENTIALS_RELATIVE_URI", "AWS_CONTAINER_CREDENTIALS_FULL_URI", "AWS_WEB_IDENTITY_TOKEN_FILE") != ""
	if !named && strings.EqualFold(f.env("AWS_EC2_METADATA_DISABLED"), "true") {
		return Keys{}, "a role of the instance, which AWS_EC2_METADATA_DISABLED turns off", nil
	}
	client := &http.Client{Timeout: roleTimeout, Transport: &http.Transport{DisableKeepAlives: true}}
	if named {
		client.Timeout = 10 * roleTimeout
	}
	provider := &credentials.IAM{Client: client}
	v, err := provider.RetrieveWithCredContext(nil)
	if err != nil && named {
		return Keys{}, "", fmt.Errorf("%w: the role that the environment names gives none: %w", ErrNoCredentials, hideURL(err))
	}
	if err != nil {
		return Keys{}, "a role of the instance (no answer at 169.254.169.254)", nil
	}
	return Keys{AccessKey: v.AccessKeyID, SecretKey: v.SecretAccessKey, SessionToken: v.SessionToken, Expires: v.Expiration}, "", nil
}

// provider is Credentials as the client library asks for them.
type provider struct {
	from    Credentials
	expires time.Time
}

var _ credentials.Provider = (*provider)(nil)

// renewBefore is how long before they expire keys are asked for anew.
const renewBefore = time.Minute

// RetrieveWithCredContext implements [credentials.Provider].
func (p *provider) RetrieveWithCredContext(*credentials.CredContext) (credentials.Value, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 15*roleTimeout)
	defer cancel()
	k, err := p.from.Keys(ctx)
	if err == nil && (k.AccessKey == "" || k.SecretKey == "") {
		err = fmt.Errorf("%w: what was found lacks the access key or the secret key", ErrNoCredentials)
	}
	if err != nil {
		return credentials.Value{}, err
	}
	p.expires = k.Expires
	return credentials.Value{
		AccessKeyID: k.AccessKey, SecretAccessKey: k.SecretKey, SessionToken: k.SessionToken,
		Expiration: k.Expires, SignerType: credentials.SignatureV4,
	}, nil
}

// Retrieve implements [credentials.Provider].
func (p *provider) Retrieve() (credentials.Value, error) { return p.RetrieveWithCredContext(nil) }

// IsExpired implements [credentials.Provider].
func (p *provider) IsExpired() bool {
	return !p.expires.IsZero() && time.Now().After(p.expires.Add(-renewBefore))
}
