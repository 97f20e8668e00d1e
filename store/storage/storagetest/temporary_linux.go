package storagetest

import (
	"os"

	"golang.org/x/sys/unix"
)

// UseDisk has temporary folders lie in /var/tmp where TMPDIR says nothing and they would lie on a tmpfs, as in Debian 13's /tmp: what is
// told of files by their times does not hold there. A package's TestMain calls it.
func UseDisk() {
	if os.Getenv("TMPDIR") == "" && isTmpfs(os.TempDir()) && !isTmpfs(onDisk) {
		os.Setenv("TMPDIR", onDisk)
	}
}

// onDisk is where temporary files stay over a restart (Filesystem Hierarchy Standard 3.0, section 5.15).
const onDisk = "/var/tmp"

func isTmpfs(dir string) bool {
	var st unix.Statfs_t
	return unix.Statfs(dir, &st) != nil || uint32(st.Type) == unix.TMPFS_MAGIC
}
