// Package config reads the configuration of a machine: where the repository is, what opens
// it, and the services that are captured here.
//
// It knows the file's form (TOML), where the files lie and who may write them, and by which
// flags of which commands the words of a service are said. It knows nothing of what commands do
// with them. Of this module it imports screen, cmdline, files and sources.
package config
