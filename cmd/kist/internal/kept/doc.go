// Package kept finds what restores set aside or left on this machine, and removes it.
//
// It knows a book of the places that restores went to and of what they set aside there, a file of lines, by which it is
// told from what only has such a name; the names under which package volume sets things aside; and a lock for each place at
// which a restore is at work. Of this module it imports store/volume, files and paths, and of store/storage/cache the
// check that nobody else can write a folder.
package kept
