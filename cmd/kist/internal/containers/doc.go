// Package containers knows what a container is to a repository: which of its mounts become
// volumes and under which names, by which labels a capture remembers it, and how its
// volumes are reached again.
//
// It knows containers as packages engine and stopped have them, and nothing of commands
// and of how volumes are read or written. Of this module it imports these two, screen,
// cmdline for errors, and store for the length of labels.
package containers
