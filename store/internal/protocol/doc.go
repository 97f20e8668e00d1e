// Package protocol checks, by trying every order of their steps, how space is
// reclaimed beside writers.
package protocol
