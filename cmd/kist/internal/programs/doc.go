// Package programs runs the commands that a person names on kist's own command line: what
// holds a service still, and what prints the data to capture or the version that runs.
//
// It knows processes, and nothing of why they are run. Of this module it imports nothing.
package programs
