// Package completion has what a shell needs to complete command lines of the program: a script for
// each shell, which asks the program, and what the words so far ask for.
//
// It knows the shells, the flag parser, and the names of things that can be completed. It knows
// nothing of repositories. Of this module it imports nothing.
package completion
