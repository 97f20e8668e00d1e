// Package take is a room of the house: it captures streams and folders.
//
// Its door is Taker. It knows how contents are cut, what was captured before and may be
// taken over, and when a capture may be committed. It stands on the rooms that all stand on,
// and on none beside it.
package take
