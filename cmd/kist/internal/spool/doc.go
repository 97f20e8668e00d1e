// Package spool says where captures of this machine wait until they are sent to their repositories: which spool is
// whose, and which of its captures were sent.
//
// It knows folders and files below the one that it is given, and nothing of keys: who opens a spool does that by package store.
package spool
