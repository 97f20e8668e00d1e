// Package files writes the program's own files: flushed, aside first, never by accident
// over another. What is restored is the business of package volume instead.
//
// It knows nothing of repositories and commands; of this module it imports screen, for
// names in errors.
package files
