package take

import (
	"io/fs"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/volume"
)

// Types of members (pax Interchange Format, typeflag).
const (
	typeRegular  = '0'
	typeHardlink = '1'
)

// noter makes of what a walk says of a member what is noted of it. Its zero value
// is ready.
type noter struct {
	noted format.State
	text  []byte // room for all texts of noted
}

// state gives the state to note. It is valid up to the next call.
func (n *noter) state(path string, s *volume.State) *format.State {
	b := append(n.text[:0], path...)
	b = append(b, s.User...)
	b = append(b, s.Group...)
	b = append(b, s.Link...)
	n.text = b
	cut := func(length int) []byte {
		part := b[:length:length]
		b = b[length:]
		return part
	}
	n.noted = format.State{
		Path: cut(len(path)), User: cut(len(s.User)), Group: cut(len(s.Group)), Link: cut(len(s.Link)),
		Type: typeOf(s), Mode: uint32(s.Perm), UID: uint64(s.UID), GID: uint64(s.GID), Size: stored(s),
		Modified: s.Modified, Changed: s.Changed - s.Modified, Device: s.Device, Inode: s.Inode,
	}
	return &n.noted
}

// stored gives the length of a member's content.
func stored(s *volume.State) uint64 {
	if s.Kind != 0 || s.Link != "" {
		return 0
	}
	return uint64(s.Size)
}

func typeOf(s *volume.State) uint8 {
	switch {
	case s.Link != "":
		return typeHardlink
	case s.Kind&fs.ModeDir != 0:
		return '5'
	case s.Kind&fs.ModeSymlink != 0:
		return '2'
	case s.Kind&fs.ModeNamedPipe != 0:
		return '6'
	case s.Kind&fs.ModeCharDevice != 0:
		return '3'
	case s.Kind&fs.ModeDevice != 0:
		return '4'
	}
	return typeRegular
}
