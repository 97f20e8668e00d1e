package secrets

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/crypt"
)

// Files are where a secret may be read from: at most one of them.
type Files struct{ Passphrase, Key string }

// Check fails with a *cmdline.UsageError where both are given, by what the arguments name.
func (f Files) Check(passphrase, key string) error {
	if f.Passphrase != "" && f.Key != "" {
		return cmdline.Usagef("%s and %s are both given: one of them opens the repository", passphrase, key)
	}
	return nil
}

// Source is where one run of the program finds secrets.
type Source struct {
	Screen *screen.Screen // for warnings and prompts
	Stdin  io.Reader
	Getenv func(string) string
	TTY    func() (*os.File, error) // the terminal to ask on
	Warned map[string]bool          // files of which it was warned; nil: that is not kept
}

// Files gives the files named by flags, else by the environment, else the
// systemd credential.
func (s *Source) Files(flags Files) (Files, error) {
	if flags != (Files{}) {
		return flags, flags.Check("--passphrase-file", "--key-file")
	}
	env := Files{s.Getenv("KIST_PASSPHRASE_FILE"), s.Getenv("KIST_KEY_FILE")}
	if env != (Files{}) {
		return env, env.Check("KIST_PASSPHRASE_FILE", "KIST_KEY_FILE")
	}
	if dir := s.Getenv("CREDENTIALS_DIRECTORY"); dir != "" {
		path := filepath.Join(dir, "kist.passphrase")
		if _, err := os.Stat(path); err == nil {
			return Files{Passphrase: path}, nil
		}
	}
	return Files{}, nil
}

// Opening gives what opens the repository, from one of the files or a person, and
// whether one was asked.
func (s *Source) Opening(ctx context.Context, files Files) (secret crypt.Secret, asked bool, err error) {
	return s.opening(ctx, files, "Passphrase: ")
}

// OpeningOf is Opening for a person who must be told what is opened.
func (s *Source) OpeningOf(ctx context.Context, files Files, what string) (secret crypt.Secret, asked bool, err error) {
	secret, asked, err = s.opening(ctx, files, "Passphrase of "+what+": ")
	if errors.Is(err, errNone) {
		err = errNoneOfOther
	}
	return secret, asked, err
}

func (s *Source) opening(ctx context.Context, files Files, prompt string) (secret crypt.Secret, asked bool, err error) {
	switch {
	case files.Key != "":
		secret, err = s.ReadKeyFile(files.Key)
	case files.Passphrase != "":
		secret, err = s.readPassphrase(files.Passphrase)
	default:
		asked = true
		secret, err = s.ask(ctx, prompt)
	}
	if err != nil {
		return nil, asked, err // and no secret that is a nil pointer
	}
	return secret, asked, nil
}

// New gives the secret of a new key slot: a key file, which is made, a
// passphrase from a file, or one that is asked for twice. undo removes a key
// file that was made.
func (s *Source) New(ctx context.Context, files Files) (secret crypt.Secret, undo func(), err error) {
	undo = func() {}
	switch {
	case files.Key != "":
		secret, err = makeKeyFile(files.Key)
		undo = func() { os.Remove(files.Key) }
	case files.Passphrase != "":
		secret, err = s.readNewPassphrase(files.Passphrase)
	default:
		secret, err = s.askTwice(ctx)
	}
	if err != nil {
		return nil, nil, err
	}
	return secret, undo, nil
}
