//go:build unix

package files

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"golang.org/x/sys/unix"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// checkFolder fails with ErrOthers for a folder in which others may exchange what is not theirs. In one with the sticky
// bit they may not.
func checkFolder(path string) error {
	var s unix.Stat_t
	if err := unix.Stat(path, &s); err != nil {
		return err
	}
	if uid := os.Geteuid(); s.Uid != 0 && int(s.Uid) != uid || s.Mode&0o022 != 0 && s.Mode&unix.S_ISVTX == 0 {
		return ErrOthers
	}
	return nil
}

// CheckPrivate fails for a folder of this program that somebody else than this user and root owns or may write, and for what is no
// folder, as a link that may lead anywhere. Where there is nothing, it does not.
func CheckPrivate(path string) error {
	var s unix.Stat_t
	if err := unix.Lstat(path, &s); err != nil {
		return ignoreAbsent(err)
	}
	if s.Mode&unix.S_IFMT != unix.S_IFDIR {
		return fmt.Errorf("%s is no folder, and links are not followed: remove it", screen.Line(path))
	}
	return checkOwner(path, &s, s.Mode&0o022 != 0)
}

// CheckShared fails for a folder, or what a link leads to, in which somebody else than this user and root may exchange what is not theirs.
// The group may where it is that of this user alone, as where each user has one: by its number, common practice, no source.
func CheckShared(path string) error {
	var s unix.Stat_t
	if err := unix.Stat(path, &s); err != nil {
		return ignoreAbsent(err)
	}
	group := s.Mode&0o020 != 0 && s.Gid != s.Uid
	return checkOwner(path, &s, (group || s.Mode&0o002 != 0) && s.Mode&unix.S_ISVTX == 0)
}

func checkOwner(path string, s *unix.Stat_t, open bool) error {
	uid := os.Geteuid()
	if s.Uid != 0 && int(s.Uid) != uid {
		return fmt.Errorf("%s: user %d owns it, and this is user %d: give it to this user, or name another folder by KIST_STATE", screen.Line(path), s.Uid, uid)
	}
	if open {
		return fmt.Errorf("%s: others may write in it (mode %04o): take that from them, as by chmod go-w", screen.Line(path), s.Mode&0o7777)
	}
	return nil
}

func ignoreAbsent(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}
