// Package paths tells where a path leads to, and whether that is inside of a folder.
//
// It knows links and relative paths, as far as the system tells of them now, and nothing
// of what lies there. Of this module it imports nothing.
package paths
