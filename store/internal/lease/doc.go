// Package lease is the third room of the house: who is at work in a repository, and what a
// writer may still rely on.
//
// Its door is Leases. It knows the leases of writers, the medium's clock, and by the final
// marks whether somebody went on without a writer whose lease it took for dead. The times
// of FORMAT.md, section 10, are here. It knows nothing of what the writers do. Of the
// rooms it stands on the vault and the ledger.
package lease
