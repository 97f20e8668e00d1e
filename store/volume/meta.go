package volume

import (
	"errors"
	"io/fs"
	"time"
)

// meta is what a member keeps of a file besides its content, and what shows that it changed.
type meta struct {
	kind         fs.FileMode // type bits only
	perm         int64       // permission, setuid, setgid and sticky bits as POSIX numbers them
	uid, gid     int
	size         int64
	allocated    int64 // bytes on disk; less than size where the file has holes
	dev, ino     uint64
	links        uint64
	major, minor int64
	mtime, ctime time.Time
}

// POSIX mode bits beyond the permissions (pax Interchange Format, ustar mode field).
const (
	modeSetUID = 0o4000
	modeSetGID = 0o2000
	modeSticky = 0o1000
	modeBits   = 0o7777
)

// changed reports whether the file that m describes was touched before now was taken.
func (m *meta) changed(now *meta) bool {
	return m.size != now.size || !m.mtime.Equal(now.mtime) || !m.ctime.Equal(now.ctime)
}

var (
	// errKind is returned when a name is not, or no longer, of the kind that was asked for.
	errKind = errors.New("it is of another kind")
	// errNoNode is returned where the system has no such file or no way to make it.
	errNoNode = errors.New("this system can't make it")
)

// ignoreUnsupported drops the error of an optional call that a file system or system doesn't have.
func ignoreUnsupported(err error) error {
	if errors.Is(err, errors.ErrUnsupported) {
		return nil
	}
	return err
}
