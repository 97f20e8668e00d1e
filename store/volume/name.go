package volume

import (
	"path"
	"strings"
)

// cleanName turns a member's or a hard link's name into a path relative to the folder, "." for the
// folder itself. It gives a reason where the name can't be meant for this folder.
func cleanName(name string) (clean, refused string) {
	switch {
	case name == "":
		return "", "it has no name"
	case strings.HasPrefix(name, "/"):
		return "", "its name is absolute"
	case strings.IndexByte(name, 0) >= 0:
		return "", "its name holds a NUL"
	}
	depth := 0
	for part := range strings.SplitSeq(name, "/") {
		if part == ".." {
			return "", `its name holds ".."`
		}
		depth++
	}
	if depth > maxDepth && strings.Count(path.Clean(name), "/") > maxDepth {
		return "", "it is nested too deep"
	}
	return path.Clean(name), ""
}

// split gives the folder and the last part of a clean name; the folder is "." at the top.
func split(clean string) (dir, name string) {
	dir, name = path.Split(clean)
	if dir == "" {
		return ".", name
	}
	return dir[:len(dir)-1], name
}
