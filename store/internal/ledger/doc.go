// Package ledger is the second room of the house: which captures there are, how they stand,
// and what was said to go.
//
// Its door is Ledger. It knows index files and their generations, the marks of holds,
// retirements and batches, which captures others saw, and what this machine remembers of
// them (Watch). It knows nothing of who is at work, and of slabs only that lists of
// captures can be read from them. Of the rooms it stands on the vault.
package ledger
