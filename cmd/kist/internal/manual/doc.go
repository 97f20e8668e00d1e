// Package manual writes manual pages, as man(7) has them, of what the program says of its commands.
//
// It knows the language of the pages and their sections, and nothing of what commands are. Of this
// module it imports nothing.
package manual
