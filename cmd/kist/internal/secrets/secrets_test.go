package secrets

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// newSource is one without a terminal.
func newSource(stderr *bytes.Buffer, env map[string]string) *Source {
	return &Source{
		Screen: screen.New(&bytes.Buffer{}, stderr), Stdin: strings.NewReader(""),
		Getenv: func(key string) string { return env[key] },
		TTY:    func() (*os.File, error) { return nil, os.ErrNotExist },
	}
}

// TestFiles: flags come before the environment, and that before a credential.
func TestFiles(t *testing.T) {
	dir := t.TempDir()
	credential := filepath.Join(dir, "kist.passphrase")
	if err := os.WriteFile(credential, []byte("five words"), 0o600); err != nil {
		t.Fatal(err)
	}
	flags, env := Files{Passphrase: "flag"}, map[string]string{"KIST_KEY_FILE": "env", "CREDENTIALS_DIRECTORY": dir}
	for _, test := range []struct {
		flags Files
		env   map[string]string
		want  Files
	}{
		{flags, env, flags},
		{Files{}, env, Files{Key: "env"}},
		{Files{}, map[string]string{"CREDENTIALS_DIRECTORY": dir}, Files{Passphrase: credential}},
		{Files{}, map[string]string{"CREDENTIALS_DIRECTORY": t.TempDir()}, Files{}},
		{Files{}, nil, Files{}},
	} {
		if got, err := newSource(nil, test.env).Files(test.flags); err != nil || got != test.want {
			t.Errorf("%+v, %v: %+v, %v; want %+v", test.flags, test.env, got, err, test.want)
		}
	}
	for _, both := range []struct {
		flags Files
		env   map[string]string
	}{{Files{"a", "b"}, nil}, {Files{}, map[string]string{"KIST_KEY_FILE": "a", "KIST_PASSPHRASE_FILE": "b"}}} {
		if _, err := newSource(nil, both.env).Files(both.flags); !isUsage(err) {
			t.Errorf("both are given: %v", err)
		}
	}
}

func TestOpening(t *testing.T) {
	var stderr bytes.Buffer
	s := newSource(&stderr, nil)
	if secret, asked, err := s.Opening(t.Context(), Files{}); !isUsage(err) || !asked || secret != nil {
		t.Errorf("nobody to ask: %v, %t, %v", secret, asked, err)
	}
	dir := t.TempDir()
	_, _, err := s.Opening(t.Context(), Files{Key: filepath.Join(dir, "none\n")})
	if missing, ok := errors.AsType[*cmdline.MissingError](err); !ok || missing.What != "key file" || strings.Contains(err.Error(), "\n") {
		t.Errorf("no such file: %v", err)
	}
	path := filepath.Join(dir, "kist.key")
	_, undo, err := s.New(t.Context(), Files{Key: path})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.New(t.Context(), Files{Key: path}); err == nil {
		t.Error("a key file was overwritten")
	}
	if _, asked, err := s.Opening(t.Context(), Files{Key: path}); err != nil || asked || stderr.Len() > 0 {
		t.Errorf("%t, %v, %q", asked, err, &stderr)
	}
	if err := os.Chmod(path, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.Opening(t.Context(), Files{Key: path}); err != nil || !strings.Contains(stderr.String(), "chmod 600") {
		t.Errorf("%v, and no warning of a file that others can read: %q", err, &stderr)
	}
	undo()
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("undone: %v", err)
	}
}

func isUsage(err error) bool {
	_, ok := errors.AsType[*cmdline.UsageError](err)
	return ok
}
