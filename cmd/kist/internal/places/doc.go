// Package places says where this machine keeps what is the program's own: copies of small
// objects, what it knows of repositories, notes about stopped containers.
//
// It knows variables of the environment and the customs of systems, and nothing of what is
// kept. Of this module it imports nothing.
package places
