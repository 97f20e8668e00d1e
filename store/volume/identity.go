package volume

// Identity tells a file or folder from others on this machine, whatever name it has by now. Identities are
// compared with Is.
type Identity struct {
	Device uint64 `json:"device"`
	Inode  uint64 `json:"inode"` // 0 where the system has no inode numbers: then it is nothing's
	// Born is when it was made (statx(2), STATX_BTIME), in nanoseconds since 1970; 0 where the file system does not tell.
	Born int64 `json:"born,omitempty"`
}

// Is tells whether two identities are of one file. Where both tell when it was made, that and the inode number decide,
// since devices may be numbered otherwise after the machine started again.
func (i Identity) Is(other Identity) bool {
	switch {
	case i.Inode == 0 || i.Inode != other.Inode:
		return false
	case i.Born != 0 && other.Born != 0:
		return i.Born == other.Born
	}
	return i.Device == other.Device
}

// IdentityOf gives the identity of a folder, which is opened by the rule of [OpenFolder], or of what else has the path.
func IdentityOf(path string) (Identity, error) {
	above, name, _, err := openAbove(path)
	if err != nil {
		return Identity{}, err
	}
	defer above.close()
	if name == "" {
		name = "."
	}
	return identityAt(above, name)
}

// identityAt gives the identity of what has a name in a folder.
func identityAt(d *folder, name string) (Identity, error) {
	m, err := d.stat(name)
	if err != nil {
		return Identity{}, err
	}
	return identity(d, name, m), nil
}

// identity gives that of a name whose meta is known.
func identity(d *folder, name string, m *meta) Identity {
	return Identity{Device: m.dev, Inode: m.ino, Born: d.born(name)}
}
