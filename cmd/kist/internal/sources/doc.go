// Package sources makes volumes of what people name: folders, files, standard input, and
// what a container engine copies.
//
// It knows what stands in such a place, how the volume is called, and that an empty stream
// is most likely a mistake, but nothing of the capture that volumes are for. Of this module
// it imports paths, cmdline for errors, screen, store and store/volume.
package sources
