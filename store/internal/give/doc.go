// Package give is a room of the house: it gives back what was captured, streams, some of
// their members, and parts of those.
//
// Its door is Giver. Whatever goes out is held against what was captured, by the stream's
// SHA-256 or by identities that the capture's digest fits (prove.go). It stands on the rooms
// that all stand on, and on none beside it.
package give
