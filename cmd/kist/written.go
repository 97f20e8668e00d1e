package main

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"os"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// checkWritten refuses a file or folder to be written, whose name a person gave, where that would harm a repository, what
// opens one, or the configuration. Every command asks it before it writes such a one, and before it reads anything.
func (a *app) checkWritten(c *cli.Context, path string) error {
	if err := a.checkOutside(path, false); err != nil {
		return err
	}
	for _, own := range a.inUse(c) {
		if isOne(path, own.path) {
			return usagef("%s is the %s in use: it is not written over. Name another file", screen.Line(path), own.what)
		}
	}
	return nil
}

// usedFile is a file that this run goes by.
type usedFile struct{ what, path string }

// inUse are the files of secrets that the command line, the environment and the configuration name, whichever counts, and the
// configuration itself.
func (a *app) inUse(c *cli.Context) (all []usedFile) {
	note := func(what string, named ...string) {
		for _, path := range named {
			if path != "" {
				all = append(all, usedFile{what, path})
			}
		}
	}
	note("key file", a.shared.keyFile, a.getenv("KIST_KEY_FILE"), a.environment("KIST_KEY_FILE"), a.config.KeyFile,
		c.String("other-key-file"), a.getenv("KIST_OTHER_KEY_FILE"), a.config.OtherKeyFile)
	note("passphrase file", a.shared.passphraseFile, a.getenv("KIST_PASSPHRASE_FILE"), a.environment("KIST_PASSPHRASE_FILE"), a.config.PassphraseFile,
		c.String("other-passphrase-file"), a.getenv("KIST_OTHER_PASSPHRASE_FILE"), a.config.OtherPassphraseFile)
	if named, err := a.secretFiles(); err == nil {
		note("key file", named.Key)
		note("passphrase file", named.Passphrase)
	}
	note("configuration", a.config.Paths...)
	return all
}

// isOne tells whether two paths lead to one file, be it not there yet, by another path or by a second link.
func isOne(one, other string) bool {
	if paths.ResolvePlace(one) == paths.ResolvePlace(other) {
		return true
	}
	a, errA := os.Stat(one)
	b, errB := os.Stat(other)
	return errA == nil && errB == nil && os.SameFile(a, b)
}

// kindOfFile is what a file that kist writes for people begins with, in small letters.
type kindOfFile struct{ name, begins string }

// mustBeOfKind refuses to replace a file that holds something else than what would take its place; an empty one holds nothing.
func mustBeOfKind(path string, kind kindOfFile) error {
	info, err := os.Lstat(path)
	if err != nil || !info.Mode().IsRegular() { // a link goes, and not what it leads to; files.Write refuses what else there is
		return nil
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	b, err := bufio.NewReader(io.LimitReader(f, 4<<10)).Peek(len(kind.begins))
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if len(b) > 0 && !bytes.EqualFold(b, []byte(kind.begins)) {
		return usagef("%s holds something else than %s, and is not replaced: remove it first, or name another file", screen.Line(path), kind.name)
	}
	return nil
}

// areApart refuses two flags that name one file: the second would replace the first.
func areApart(flags, named []string) error {
	for i := range named {
		for k := range i {
			if isOne(named[i], named[k]) {
				return usagef("%s and %s name one file, %s: name two", flags[k], flags[i], screen.Line(named[i]))
			}
		}
	}
	return nil
}
