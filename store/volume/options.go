package volume

import "cmp"

// ReadOptions change what [WriteTar] reads. The zero value is right for a stopped service's volume.
type ReadOptions struct {
	// CrossMounts also reads what is mounted on folders below. By default such a folder is in the
	// stream, but not what is mounted on it, and a Note says so. Only folders are looked at.
	CrossMounts bool
	// Exclude has patterns of members to leave out, with the meaning of lines in a .gitignore file
	// in the folder (gitignore(5)): a pattern with a slash before its end is of a path from the folder,
	// one without is of a name anywhere; one that ends with a slash matches only folders; "*" and "?"
	// don't match a slash, "**" between slashes matches any number of folders; "!" before a pattern
	// takes back what an earlier one left out, unless a folder above is left out. The folder itself is
	// never left out. Other than in git, "?" matches a character and not a byte, and a malformed
	// pattern, or one with a class like [[:digit:]], is an error that wraps path.ErrBadPattern.
	Exclude []string
	// SkipCacheFolders leaves out what is in folders that are tagged as caches, besides the tag:
	// those with a regular file CACHEDIR.TAG that begins with the signature of the Cache Directory
	// Tagging Specification (https://bford.info/cachedir/). The folder that is read is not left out
	// though it be tagged.
	SkipCacheFolders bool
	// Flush flushes the file system that the folder is on before it is read (on Linux; elsewhere it
	// does nothing). Only after that does a write through a memory map show in a file's times: a page
	// that is written to again before it was flushed moves none.
	Flush bool
	// OnEntry, if set, is called before each member is written, from the calling goroutine, with
	// its name (as in Note.Path) and the bytes of content that will follow.
	OnEntry func(path string, size int64)

	// Of tests, in place of clockOf, maxDepth and maxName.
	clock             func(*folder) clock
	maxDepth, maxName int
}

// fill fills in what tests may change.
func (o *ReadOptions) fill() {
	if o.clock == nil {
		o.clock = clockOf
	}
	o.maxDepth, o.maxName = cmp.Or(o.maxDepth, maxDepth), cmp.Or(o.maxName, maxName)
}

// A ReadReport says what [WriteTar] wrote.
type ReadReport struct {
	// Members is the number of members in the stream, the folder itself included.
	Members int
	// Excluded is the number of names left out by ReadOptions.Exclude; what is in an excluded folder is
	// not counted.
	Excluded int
	// CacheFolders is the number of folders whose contents SkipCacheFolders left out.
	CacheFolders int
	// Skipped lists what is not in the stream: sockets, files that vanished or changed their
	// kind between listing and opening, contents of mount points, attributes that fit no header.
	Skipped []Note
	// LeftOut lists what Replace set aside in a mount point, by a marker there.
	LeftOut []LeftOut
	// Changed lists files and folders whose size or times changed while they were read: the
	// service was probably not stopped, and their contents may be of no single moment.
	Changed []Note
	// NoChangeTimes says that files were read which may be as they were, since nothing shows that their
	// file system keeps change times (st_ctime) of its own: without them a file whose modification time
	// was set back, and whose length is the same, looks as before. The usual file systems of Linux are
	// known to keep them, and NFS; FAT and exFAT not to; of others at least one member must have a change
	// time more than two seconds away from its modification time.
	NoChangeTimes bool
}

// ExtractOptions change how [Extract] writes. The zero value restores everything but devices.
type ExtractOptions struct {
	// Devices allows character and block devices. By default a device is refused with a
	// RefusedError, since it may open a disk to whoever owns the restored files.
	Devices bool
	// OwnersByName gives members to the user and group of the recorded name on this machine, where
	// there is one. By default the recorded numbers count, which is right for the volumes of containers.
	OwnersByName bool
	// WriteZeros writes all zeros out. By default every aligned 64 KiB of zeros in a file becomes a
	// hole, which reads the same but takes no space, where the file system has holes.
	WriteZeros bool
	// Sync returns only after everything written has reached the disk (on Linux by one syncfs of
	// the whole file system at the end, elsewhere by a flush of each file and folder). By default
	// the operating system writes it in its own time.
	Sync bool
	// Only, if set, says for each member whether it is wanted, by its name as in Note.Path. The
	// folders above a wanted member are restored with it, as far as the stream describes them. A hard link
	// whose first name is not wanted can't be restored and becomes a Note.
	Only func(path string) bool
	// OnEntry, if set, is called before each wanted member is written, from the calling goroutine.
	OnEntry func(path string, size int64)
}

// An ExtractReport says what [Extract] restored.
type ExtractReport struct {
	// Members is the number of members restored, and Bytes the length of their contents.
	Members int
	Bytes   int64
	// NotRestored lists what could not be, such as owners when not root or attributes on a file
	// system without them. Equal reasons share one Note.
	NotRestored []Note
}
