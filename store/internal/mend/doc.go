// Package mend is a room of the house: it mends what can be mended, and gives up what can't
// be where it is told to.
//
// Its door is Mender. It goes by the findings of the room check, the only one beside it that
// it knows; otherwise it stands on the rooms that all stand on.
package mend
