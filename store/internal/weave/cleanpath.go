package weave

import (
	"path"
	"strings"
)

// CleanPath gives the path of a member as members are compared: without "./", slashes in
// front and at the end, and elements that lead nowhere.
func CleanPath(p string) string {
	return path.Clean(strings.TrimLeft(p, "/"))
}
