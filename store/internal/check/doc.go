// Package check is a room of the house: it finds out whether all is there and unharmed.
//
// Its door is Verifier. It gives a Report, or, to whoever mends, the Findings behind it. It
// writes nothing. It stands on the rooms that all stand on, and on none beside it.
package check
