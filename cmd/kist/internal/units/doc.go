// Package units writes what runs the program regularly: a systemd service with its timer,
// or a line for crontab(5).
//
// It knows how both are written and quoted, what a service needs of a machine, and how
// the program is told what opens a repository, but not what its commands do. Of this
// module it imports screen and cmdline, for errors.
package units
