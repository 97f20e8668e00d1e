// Package serve is a room of the program: what captures hold, for a browser and for file managers, to be
// looked at and never changed.
//
// Its door is New. A request passes, in this order: headers.go (what every answer says), places.go (whose connection
// stays open), hosts.go (whether it was meant for this server), gate.go (whether it comes from somebody who was let in),
// work.go (how much is done at once).
// Pages work without a script. What captures hold is text or data on them, and never markup.
//
// It knows captures and members as store has them, HTTP, and WebDAV (RFC 4918) as far as reading goes. It writes to no
// repository, and reads no file of this machine.
package serve
