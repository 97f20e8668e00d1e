package mounts

import (
	"bufio"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Mount is something mounted. The zero Mount is none.
type Mount struct {
	Point  string `json:"point"`  // an absolute path
	Type   string `json:"type"`   // of the file system, as the kernel calls it
	Source string `json:"source"` // a device, or a share as its kind of file system names it
}

// Table lists what is mounted, later mounts after earlier ones. On other systems than Linux it is empty.
type Table []Mount

// remoteTypes are file systems that other machines hold, or may hold, by the names that the kernel gives them
// (Documentation/filesystems of Linux). With autofs, to look at a path may mount a share first.
var remoteTypes = []string{"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "coda", "virtiofs", "autofs", "fuse", "fuseblk"}

// IsRemote tells whether the file system lies, or may lie, on another machine.
func (m Mount) IsRemote() bool {
	return slices.Contains(remoteTypes, m.Type) || strings.HasPrefix(m.Type, "fuse.")
}

// unescape undoes how both tables write white space, backslashes and, in fstab, "#" (proc_pid_mountinfo(5), fstab(5)).
var unescape = strings.NewReplacer(`\040`, " ", `\011`, "\t", `\012`, "\n", `\134`, `\`, `\043`, "#")

// parseMountinfo reads lines as proc_pid_mountinfo(5) has them: the fifth field is the mount point, the type and the
// source stand behind a field "-", before which there may be any number of others.
func parseMountinfo(from io.Reader) (t Table, err error) {
	lines := bufio.NewScanner(from)
	for lines.Scan() {
		fields := strings.Split(lines.Text(), " ")
		if len(fields) < 7 {
			continue
		}
		if i := slices.Index(fields[6:], "-"); i >= 0 && 6+i+2 < len(fields) {
			t = append(t, Mount{unescape.Replace(fields[4]), unescape.Replace(fields[6+i+1]), unescape.Replace(fields[6+i+2])})
		}
	}
	return t, lines.Err()
}

// Of gives what a path lies on, by the path alone: it is absolute and clean, and no link is on the way.
func (t Table) Of(path string) (m Mount) {
	for _, other := range t {
		if within(other.Point, path) && len(other.Point) >= len(m.Point) { // what was mounted there later hides the earlier
			m = other
		}
	}
	return m
}

// within tells whether an absolute path is that of a folder or of something in it.
func within(folder, path string) bool {
	return folder == "/" || path == folder || strings.HasPrefix(path, folder+"/")
}

// maxLinks is how many links are followed, as the kernel does (path_resolution(7)).
const maxLinks = 40

// Resolve gives a path without links and as an absolute one, as far as that can be had without asking a file system that may
// lie on another machine: from there on it is as it was given.
func (t Table) Resolve(path string) string {
	full, err := filepath.Abs(path)
	if err != nil || len(t) == 0 {
		return path
	}
	at, rest := "/", strings.Split(full, "/")
	for links := 0; len(rest) > 0; {
		name := rest[0]
		rest = rest[1:]
		next := filepath.Join(at, name)
		if t.Of(next).IsRemote() {
			return filepath.Join(append([]string{next}, rest...)...)
		}
		target, err := os.Readlink(next)
		if err != nil { // no link, or nothing
			at = next
			continue
		}
		if links++; links > maxLinks {
			return full
		}
		if filepath.IsAbs(target) {
			at = "/"
		}
		rest = append(strings.Split(target, "/"), rest...)
	}
	return at
}
