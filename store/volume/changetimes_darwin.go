package volume

import "golang.org/x/sys/unix"

// clockOf says what change times are worth on the file system of d, by its name (statfs(2)).
func clockOf(d *folder) clock {
	var st unix.Statfs_t
	if _, err := again(func() (int, error) { return 0, unix.Fstatfs(d.fd, &st) }); err != nil {
		return clockDoubtful
	}
	switch unix.ByteSliceToString(st.Fstypename[:]) {
	case "apfs", "hfs":
		return clockKept
	case "msdos", "exfat":
		return clockAbsent
	}
	return clockDoubtful
}
