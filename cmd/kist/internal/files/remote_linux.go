package files

import "golang.org/x/sys/unix"

// remote are file systems that other machines hold (the kernel's include/uapi/linux/magic.h and fs/smb; FUSE may be one,
// as sshfs is).
var remote = map[uint32]bool{
	unix.NFS_SUPER_MAGIC:  true,
	unix.SMB_SUPER_MAGIC:  true,
	unix.CIFS_SUPER_MAGIC: true,
	unix.SMB2_SUPER_MAGIC: true,
	unix.FUSE_SUPER_MAGIC: true,
	unix.V9FS_MAGIC:       true,
	unix.AFS_SUPER_MAGIC:  true,
	unix.AFS_FS_MAGIC:     true,
	unix.CEPH_SUPER_MAGIC: true,
	unix.CODA_SUPER_MAGIC: true,
}

// IsRemote tells whether a folder lies, or may lie, on another machine. It asks the file system.
func IsRemote(path string) bool {
	var of unix.Statfs_t
	return unix.Statfs(path, &of) == nil && remote[uint32(of.Type)]
}
