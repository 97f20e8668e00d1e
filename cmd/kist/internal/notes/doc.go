// Package notes keeps the files by which a later run brings to its end what a run began that was killed: whole before
// they have their names, flushed, closed to others, and locked for as long as the run is at work.
//
// It knows such files as bytes, and nothing of what they say. Of this module it imports files, and of
// store/storage/cache the check that nobody else can write a folder.
package notes
