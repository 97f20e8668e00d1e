// Package demo shows the whole job on a sample service, and proves that what is restored is
// what was captured.
//
// It knows the sample service, the story, and command lines of the program, which somebody
// else runs for it: it knows of repositories only how large they are. Of this module it
// imports screen, trees, and store/volume to read folders as tar streams.
package demo
