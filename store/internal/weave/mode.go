package weave

import "io/fs"

// UnixMode gives the permissions of a mode as a tar header has them (POSIX.1,
// pax, "mode").
func UnixMode(m fs.FileMode) int64 {
	bits := int64(m.Perm())
	for flag, bit := range map[fs.FileMode]int64{fs.ModeSetuid: 0o4000, fs.ModeSetgid: 0o2000, fs.ModeSticky: 0o1000} {
		if m&flag != 0 {
			bits |= bit
		}
	}
	return bits
}
