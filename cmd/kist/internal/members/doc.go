// Package members shows members of captures: to people much as ls -l does, to scripts as JSON
// that holds every name to the byte, and times that JSON can't write as near as it can.
//
// It knows members as store has them, and nothing of commands and volumes. Of this module
// it imports screen, store, and chunk/tarstream for the kinds of members.
package members
