package volume

import "golang.org/x/sys/unix"

// zfsMagic is ZFS_SUPER_MAGIC of OpenZFS (include/os/linux/zfs/sys/zfs_vfsops_os.h); linux/magic.h has
// no number for it. From memory.
const zfsMagic = 0x2fc12fc1

// clockOf says what change times are worth on the file system of d, by its number (statfs(2);
// linux/magic.h). Those named as kept set st_ctime themselves; NFS gets it from the server, whose duty
// it is (RFC 1813, section 2.3.5, ctime in fattr3). FAT and exFAT have no place for one. On tmpfs and ramfs writes
// through a memory map move none (seen on Linux 6.18), whatever others show there.
func clockOf(d *folder) clock {
	var st unix.Statfs_t
	if _, err := again(func() (int, error) { return 0, unix.Fstatfs(d.fd, &st) }); err != nil {
		return clockDoubtful
	}
	switch uint32(st.Type) { // its Go type differs from one machine to the other
	case unix.EXT4_SUPER_MAGIC, unix.XFS_SUPER_MAGIC, unix.BTRFS_SUPER_MAGIC, unix.F2FS_SUPER_MAGIC,
		unix.BCACHEFS_SUPER_MAGIC, zfsMagic, unix.NFS_SUPER_MAGIC:
		return clockKept
	case unix.OVERLAYFS_SUPER_MAGIC:
		return clockLayered
	case unix.MSDOS_SUPER_MAGIC, unix.EXFAT_SUPER_MAGIC, unix.TMPFS_MAGIC, unix.RAMFS_MAGIC:
		return clockAbsent
	}
	return clockDoubtful
}
