// Package weave is the fifth room of the house, and the last that the others stand on: how a
// stream is woven from chunks, and unravelled.
//
// Its doors are Weaver, which makes recipes of what is taken in, and Reader, which reads
// member lists, contents and places of chunks by recipes. It knows entries, stamps, orders of members,
// recipes and runs. It does not know where a stream comes from or goes, and what tables say only by
// an index that it is given. Of the rooms it stands on the vault, the ledger, the leases and
// the stock.
package weave
