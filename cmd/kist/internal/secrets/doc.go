// Package secrets gets what opens a repository: from a passphrase file, a key file, a
// systemd credential, or a person at a terminal, who is asked without echo. It makes key
// files as well.
//
// It knows of secrets as package crypt has them, and of flags and variables by name, but
// nothing of repositories and commands. Of this module it imports crypt, screen, files, and
// cmdline, for errors.
package secrets
