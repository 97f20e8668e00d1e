// Package stopped stops containers for a while and sees to it that they are started
// again, whatever happens: after an error, an interrupt or a panic by the same run, and
// after a kill by the next one, from a note in a folder of this machine. It does the same
// for what is no container, by two commands that a person names.
//
// It knows containers as package engine has them, and nothing of repositories and
// commands. Of this module it imports engine, programs, screen, files and notes.
package stopped
