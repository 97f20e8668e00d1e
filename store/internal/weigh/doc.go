// Package weigh is a room of the house: what captures cost, and in what they differ.
//
// Its door is Scales. It counts chunks and reads no contents. It stands on the rooms that all
// stand on, and on none beside it.
package weigh
