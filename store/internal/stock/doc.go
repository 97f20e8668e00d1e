// Package stock is the fourth room of the house: what a repository holds, by chunks.
//
// Its door is Stock. It knows slabs, tables and what they say of chunks, the index of what is
// known, what nobody may rely on any more, and what interrupted writers left. Tables that
// contradict each other, and those that are merged as they come, are its concern. It does
// not know how chunks make up a stream. Of the rooms it stands on the vault, the ledger and
// the leases.
package stock
