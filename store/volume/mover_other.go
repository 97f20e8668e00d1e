//go:build !linux

package volume

import (
	"errors"
	"os"
)

func (d *folder) renameFree(name string, to *folder, newName string) error {
	return d.renameChecked(name, to, newName)
}

func (d *folder) exchange(a, b string) error {
	return &os.LinkError{Op: "exchange", Old: d.join(a), New: d.join(b), Err: errors.ErrUnsupported}
}

// flushTree flushes one file and folder after the other. A file that its mode keeps from being opened
// is for build to flush.
func (m disk) flushTree(d *folder) error {
	names, err := namesOf(d)
	if err != nil {
		return err
	}
	for _, name := range names {
		if err := m.flushEntry(d, name); err != nil {
			return err
		}
	}
	return m.flush(d)
}

func (m disk) flushEntry(d *folder, name string) error {
	child, err := d.child(name)
	if err == nil {
		defer child.close()
		return m.flushTree(child)
	}
	if !errors.Is(err, errKind) {
		return err
	}
	f, err := d.openToFlush(name)
	if errors.Is(err, errKind) { // a link, a pipe
		return nil
	}
	if err != nil {
		return ignoreForbidden(err)
	}
	return errors.Join(ignoreUnsupported(f.flush()), f.close())
}
