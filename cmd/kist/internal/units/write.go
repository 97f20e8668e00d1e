package units

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// CheckSecret fails with a *cmdline.UsageError where the path of the secret's file can't
// be written into a unit, which has no quotes there.
func (j *Job) CheckSecret() error {
	if path := j.Secret.path(); strings.ReplaceAll(text(path), "%%", "%") != path {
		return cmdline.Usagef("%q can't be written into a unit: give the file of the secret a plain name", path)
	}
	return nil
}

// Write writes both units into a folder, and over none that is there.
func (j *Job) Write(dir string) error {
	for _, kind := range Kinds() { // before one of them is written alone
		path := filepath.Join(dir, j.FileName(kind))
		if _, err := os.Lstat(path); err == nil {
			return fmt.Errorf("%s is there already: remove it first", screen.Line(path))
		}
	}
	for i, content := range []string{j.Service(), j.Timer()} {
		if err := writeUnit(filepath.Join(dir, j.FileName(Kinds()[i])), content); err != nil {
			return err
		}
	}
	return nil
}

func writeUnit(path, content string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err = f.WriteString(content)
	return errors.Join(err, f.Close())
}
