// Package reclaim is a room of the house: what is kept, what goes, and how its space comes
// back.
//
// Its door is Keeper. It holds and retires captures, finds out chunk by chunk what is needed
// (survey), and frees the rest in the stages of FORMAT.md, section 10. It stands on the rooms
// that all stand on, and on none beside it.
package reclaim
