package containers

import (
	"cmp"
	"errors"
	"io/fs"
	"os"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// Choice says which mounts are captured.
type Choice struct {
	ReadOnly bool     // also what the container can't write
	Exclude  []string // not what is mounted there
	Stays    bool     // nobody can ask for what it can't write
	Several  bool     // the container is one of several: names of volumes tell of which
}

// Volume is a mount that becomes a volume.
type Volume struct {
	engine.Mount
	Name   string
	Copied bool // by the engine, as this machine can't read it
	Folder bool // and no single file, where it is not copied
}

// Volumes gives those of a container that are to be captured, and says on the screen what
// is left out or copied, and why. It fails with a *cmdline.UsageError where the choice
// fits nothing.
func (c *Container) Volumes(s *screen.Screen, choice Choice) ([]Volume, error) {
	var volumes []Volume
	excluded := make(map[string]bool)
	for _, m := range c.Mounts {
		switch {
		case slices.Contains(choice.Exclude, m.Destination):
			excluded[m.Destination] = true
		case m.Type != "volume" && m.Type != "bind":
		case !m.RW && choice.Stays:
		case !m.RW && !choice.ReadOnly:
			s.Say("%s is mounted read-only and left out; --include-readonly takes it in.", screen.Printable(m.Destination))
		default:
			if v := c.volume(s, m, choice.Several); v != nil {
				volumes = append(volumes, *v)
			}
		}
	}
	if choice.Several {
		return volumes, nil // what fits none of them, and that none has any, is for the caller to see
	}
	for _, path := range choice.Exclude {
		if !excluded[path] {
			return nil, cmdline.Usagef("--exclude-mount %s: nothing is mounted there in container %s", screen.Line(path), screen.Line(c.Name))
		}
	}
	if len(volumes) == 0 {
		return nil, cmdline.Usagef("container %s has no volume and no bind mount to capture", screen.Line(c.Name))
	}
	return volumes, nil
}

// volume is one that is read through this machine's folder, and where that can't be
// reached is copied by the engine. It is nil for what is no data, such as a socket.
func (c *Container) volume(s *screen.Screen, m engine.Mount, several bool) *Volume {
	v := &Volume{Mount: m, Name: volumeName(m)}
	if several && v.Name != m.Name {
		v.Name = strings.ToValidUTF8(c.Name, "_") + "-" + v.Name
	}
	info, err := Look(m)
	switch {
	case err != nil:
		s.Say("%s of %s can't be read on this machine (%v): the container engine copies it.", screen.Printable(m.Destination), screen.Printable(c.Name), err)
		v.Copied = true
	case info.IsDir():
		v.Folder = true
	case !info.Mode().IsRegular():
		s.Warn("%s is no folder and no regular file on this machine, but %s: it is left out.", screen.Printable(m.Destination), screen.Printable(m.Source))
		return nil
	}
	return v
}

// Look tells what is mounted, as this machine has it, and fails where that can't be read here.
func Look(m engine.Mount) (fs.FileInfo, error) {
	if m.Source == "" {
		return nil, errors.New("the engine does not say where it lies")
	}
	info, err := os.Stat(m.Source)
	if err != nil || !info.IsDir() && !info.Mode().IsRegular() {
		return info, plainError(err)
	}
	f, err := os.Open(m.Source)
	if err != nil {
		return nil, plainError(err)
	}
	return info, f.Close()
}

// plainError gives what an error of the file system says without the path.
func plainError(err error) error {
	var at *fs.PathError
	if errors.As(err, &at) {
		return at.Err
	}
	return err
}

// volumeName names a volume as the engine does, or by where it is mounted.
func volumeName(m engine.Mount) string {
	name := m.Name
	if m.Type != "volume" || name == "" || m.Anonymous() {
		name = strings.ReplaceAll(strings.Trim(m.Destination, "/"), "/", "-")
	}
	return strings.ToValidUTF8(cmp.Or(name, "root"), "_")
}
