// Package cmdline takes command lines apart, so that flags may stand anywhere in them,
// and reads what people write there: spans of time, times, shares, labels.
//
// It knows the flag parser and how values are written, and nothing of what a command
// does with them. Of this module it imports screen, for arguments in errors.
package cmdline
