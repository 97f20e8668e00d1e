// Package watch looks at a container that was started, for a while, and tells whether it
// stays up: running without a restart, well by its own health check where it has one, and by a
// command of the user's where one is given.
//
// It knows containers as package engine has them, and nothing of what they were started
// for. Of this module it imports engine and programs.
package watch
