package units

import (
	"errors"
	"fmt"
	"io"
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
func (j *Job) Write(dir string) error { return WriteAll(dir, []*Job{j}) }

// WriteAll writes the units of jobs into a folder: all, or, where one of their names is taken, none.
func WriteAll(dir string, jobs []*Job) error {
	for _, j := range jobs {
		for _, kind := range Kinds() {
			if err := j.checkFree(filepath.Join(dir, j.FileName(kind))); err != nil {
				return err
			}
		}
	}
	for _, j := range jobs {
		for i, content := range []string{j.Service(), j.Timer()} {
			if err := writeUnit(filepath.Join(dir, j.FileName(Kinds()[i])), content); err != nil {
				return err
			}
		}
	}
	return nil
}

// checkFree fails where a unit is there already. One by another configuration is not to be removed for these.
func (j *Job) checkFree(path string) error {
	if _, err := os.Lstat(path); err != nil {
		return nil
	}
	const most = 1 << 20
	text := ""
	if f, err := os.Open(strings.TrimSuffix(path, filepath.Ext(path)) + ".service"); err == nil {
		b, _ := io.ReadAll(io.LimitReader(f, most)) // it is only told what is in it
		f.Close()
		text = string(b)
	}
	const flag = " --config "
	theirs, ours := configOf(text, flag), configOf(j.Service(), flag)
	if theirs != "" && theirs != ours {
		return fmt.Errorf("%s is there already, and goes by the configuration %s: units of two have the same names. Nothing was written. Have these written into another folder, and give them other names there", screen.Line(path), screen.Line(theirs))
	}
	return fmt.Errorf("%s is there already: remove it first. Nothing was written", screen.Line(path))
}

// configOf gives the configuration that a unit's commands name, as it is written there.
func configOf(unit, flag string) string {
	_, rest, _ := strings.Cut(unit, flag)
	line, _, _ := strings.Cut(rest, "\n")
	if strings.HasPrefix(line, `"`) {
		quoted, _, _ := strings.Cut(line[1:], `"`)
		return quoted
	}
	word, _, _ := strings.Cut(line, " ")
	return word
}

// CheckNames fails where two jobs would have units of one name.
func CheckNames(jobs []*Job) error {
	by := make(map[string]*Job)
	for _, j := range jobs {
		name := j.FileName(Kinds()[0])
		if other := by[name]; other != nil {
			return cmdline.Usagef("two would be %s: %q and %q. Give a service another name", screen.Line(name), other.What, j.What)
		}
		by[name] = j
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
