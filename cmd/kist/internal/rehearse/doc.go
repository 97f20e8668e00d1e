// Package rehearse makes what a rehearsal needs, and sees that all of it goes again, whatever
// happens: a scratch folder, and throw-away containers that are watched.
//
// A note in a folder of this machine says what is made before it is, and is locked by the run at
// work. So a note that nobody has locked is of a run that was killed: RemoveLeft removes the
// containers first, which have its label, then the folder, then the note.
//
// It knows containers as package engine has them, and how to watch them; what restores data it
// knows nothing of, nor of repositories and commands. Of this module it imports engine, screen,
// files, notes and watch.
package rehearse
