// Package drawer reads a drawer of old tarballs: what their file names say of service, version
// and date, and by which hash each is known again, however it was compressed.
//
// It knows names, times and streams, and nothing of captures and repositories. Of this module
// it imports cmdline, for errors, and chunk/tarstream, for compressed streams.
package drawer
