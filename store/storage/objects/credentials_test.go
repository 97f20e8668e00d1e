package objects_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/storage/objects"
	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// sharedFile is in the form of the AWS SDKs and tools reference guide, "Shared config and credentials files".
const sharedFile = `
[default]
aws_access_key_id = DEFAULTKEY
aws_secret_access_key = default/secret+with=signs#and;more
aws_session_token=tok

# a comment
[seedbank]
aws_access_key_id=SEEDKEY
aws_secret_access_key=hunter2
region = home

[half]
aws_access_key_id = HALF
`

func TestFindCredentials(t *testing.T) {
	dir := t.TempDir()
	for name, content := range map[string]string{"shared": sharedFile, ".aws/credentials": strings.ReplaceAll(sharedFile, "DEFAULTKEY", "HOMEKEY"), "units/kist.s3": strings.ReplaceAll(sharedFile, "DEFAULTKEY", "UNITKEY"), "odd": "[default\naws_secret_access_key=hunter2", "none/x": ""} {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, []byte(content), 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	const off = " AWS_EC2_METADATA_DISABLED=true"
	variables := "AWS_ACCESS_KEY_ID=ENVKEY AWS_SECRET_ACCESS_KEY=s AWS_SESSION_TOKEN=t "
	for _, test := range []struct {
		env, want string // the access key, or what the error says
	}{
		{variables + "CREDENTIALS_DIRECTORY=@/units HOME=@", "ENVKEY"},
		{"CREDENTIALS_DIRECTORY=@/units HOME=@", "UNITKEY"},
		{"CREDENTIALS_DIRECTORY=@/none HOME=@", "HOMEKEY"},
		{"HOME=@ AWS_PROFILE=seedbank", "SEEDKEY"},
		{"HOME=@ AWS_SHARED_CREDENTIALS_FILE=@/shared", "DEFAULTKEY"},
		{"USERPROFILE=@", "HOMEKEY"},
		{"AWS_ACCESS_KEY_ID=ENVKEY HOME=@", "AWS_ACCESS_KEY_ID is set, and AWS_SECRET_ACCESS_KEY is not"},
		{"AWS_SECRET_ACCESS_KEY=hunter2 HOME=@", "AWS_SECRET_ACCESS_KEY is set, and AWS_ACCESS_KEY_ID is not"},
		{"HOME=@ AWS_PROFILE=none", `there is no profile "none"`},
		{"HOME=@ AWS_PROFILE=half", `lacks aws_access_key_id or aws_secret_access_key`},
		{"HOME=@/none AWS_PROFILE=seedbank", "no such file"},
		{"AWS_SHARED_CREDENTIALS_FILE=@/gone", "no such file"},
		{"AWS_SHARED_CREDENTIALS_FILE=@/odd", "@/odd"},
		{"HOME=@/none" + off, "AWS_ACCESS_KEY_ID"},
		{"HOME=@/none" + off, "systemd credential kist.s3"},
		{"HOME=@/none" + off, filepath.FromSlash("@/none/.aws/credentials")},
		{"HOME=@/none" + off, "AWS_EC2_METADATA_DISABLED"},
	} {
		env := environment(strings.ReplaceAll(test.env, "@", dir))
		k, err := objects.FindCredentials(env).Keys(t.Context())
		if err == nil {
			if k.AccessKey != test.want {
				t.Errorf("%s: %v, want %s", test.env, k, test.want)
			}
			continue
		}
		if !errors.Is(err, objects.ErrNoCredentials) || !strings.Contains(err.Error(), strings.ReplaceAll(test.want, "@", dir)) || strings.Contains(err.Error(), "hunter2") {
			t.Errorf("%s: %v; want ErrNoCredentials, saying %q", test.env, err, test.want)
		}
	}
	k, err := objects.FindCredentials(environment("AWS_SHARED_CREDENTIALS_FILE=" + filepath.Join(dir, "shared"))).Keys(t.Context())
	if want := (objects.Keys{AccessKey: "DEFAULTKEY", SecretKey: "default/secret+with=signs#and;more", SessionToken: "tok"}); err != nil || k != want {
		t.Errorf("the shared file gives another secret, or token: %v", err)
	}
}

func TestKeysAreNotShown(t *testing.T) {
	k := objects.Keys{AccessKey: "SEEDKEY", SecretKey: "hunter2", SessionToken: "hunter2"}
	for _, format := range []string{"%v", "%+v", "%#v", "%s"} {
		if shown := fmt.Sprintf(format+format, k, objects.StaticKeys(k)); strings.Contains(shown, "hunter2") || !strings.Contains(shown, "SEEDKEY") {
			t.Errorf("%s: %s", format, shown)
		}
	}
}

// Without keys nothing is opened: requests are never sent without a signature.
func TestNoKeys(t *testing.T) {
	f := newFake(t)
	for name, from := range map[string]objects.Credentials{
		"none":     objects.FindCredentials(environment("AWS_EC2_METADATA_DISABLED=true")),
		"empty":    objects.StaticKeys{},
		"half":     objects.StaticKeys{AccessKey: "SEEDKEY"},
		"careless": credentialsFunc(func() (objects.Keys, error) { return objects.Keys{}, nil }),
	} {
		options := f.options()
		options.Credentials = from
		if _, err := objects.Open(t.Context(), options); !errors.Is(err, objects.ErrNoCredentials) {
			t.Errorf("%s: %v, want ErrNoCredentials", name, err)
		}
	}
	if n := f.Count(""); n > 0 {
		t.Errorf("%d requests were sent", n)
	}
}

type credentialsFunc func() (objects.Keys, error)

func (f credentialsFunc) Keys(context.Context) (objects.Keys, error) { return f() }

// Keys that the store says have expired are asked for anew, once; those that are about to are, before.
func TestExpiredKeys(t *testing.T) {
	f := newFake(t)
	f.Before = func(w http.ResponseWriter, r *http.Request) bool {
		expired := r.Header.Get("X-Amz-Security-Token") != "second"
		if expired {
			objectstest.Refuse(w, http.StatusBadRequest, "ExpiredToken")
		}
		return expired
	}
	asked := 0
	tokens := []string{"first", "second", "third"}
	from := credentialsFunc(func() (objects.Keys, error) {
		asked++
		return objects.Keys{AccessKey: "k", SecretKey: "s", SessionToken: tokens[asked-1], Expires: time.Now().Add(time.Hour)}, nil
	})
	s := f.open(func(o *objects.Options) { o.Credentials = from })
	put(t, s, "kist.json", "{}")
	put(t, s, "captures/a", "a")
	if asked != 2 {
		t.Errorf("keys were asked for %d times, want 2", asked)
	}
	s = f.open(func(o *objects.Options) { o.Credentials = objects.StaticKeys{AccessKey: "k", SecretKey: "s"} })
	if err := s.Mark(t.Context(), "leases/a", nil); !errors.Is(err, objects.ErrExpired) || strings.Contains(err.Error(), "http") {
		t.Errorf("keys that stay expired: %v", err)
	}
	asked = 0
	s = f.open(func(o *objects.Options) {
		o.Credentials = credentialsFunc(func() (objects.Keys, error) {
			asked++
			return objects.Keys{AccessKey: "k", SecretKey: "s", SessionToken: "second", Expires: time.Now().Add(10 * time.Second)}, nil
		})
	})
	put(t, s, "captures/b", "b")
	if asked != 2 {
		t.Errorf("keys that expire in 10 s were asked for %d times, want 2", asked)
	}
}

// TestCredentialWithoutSection: a systemd credential in which the keys are not found is not said to be absent.
func TestCredentialWithoutSection(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, objects.SystemdCredential), []byte("[seeds]\naws_access_key_id=a\naws_secret_access_key=b\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	env := map[string]string{"CREDENTIALS_DIRECTORY": dir, "AWS_EC2_METADATA_DISABLED": "true"}
	_, err := objects.FindCredentials(func(name string) string { return env[name] }).Keys(t.Context())
	if !errors.Is(err, objects.ErrNoCredentials) || !strings.Contains(err.Error(), "the systemd credential kist.s3, which has no section [default]") {
		t.Error(err)
	}
}
