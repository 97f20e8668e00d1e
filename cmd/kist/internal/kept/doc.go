// Package kept finds what restores set aside or left on this machine, and removes it.
//
// It knows a book of the places that restores went to, a file of lines, and the names under
// which package volume sets things aside. Of this module it imports store/volume, and of store/storage/cache the
// check that nobody else can write a folder.
package kept
