// Package store keeps dated captures of a service's data volumes in a
// repository: deduplicated, compressed, encrypted, each restorable alone.
//
// [Create] makes a repository in a [storage.Storage] (a folder of a local disk or of
// a mounted share), [Open] opens it with a passphrase or a key file.
// [Repository.Capture] records volumes, each a tar stream, a folder or any other stream
// of bytes; [Repository.Captures] and [Repository.Find] list what there is;
// [Repository.Members] and [Repository.OpenMember] look into a capture;
// [Repository.Restore] and [Repository.RestoreMembers] write streams back, identical to
// the byte; [Repository.Compare] and [Repository.Usage] tell what changed and what it
// costs. [Repository.Verify] finds out whether all is there and unharmed, and
// [Repository.Repair] mends what can be mended. [Repository.Hold], [Repository.Retire]
// and [Repository.Reclaim] say what stays and free the space of what does not.
//
// Every object is written once, complete or not at all, and a capture exists
// from the moment its index file does: whatever stops a capture before leaves
// the repository as it was. Any number of processes and machines may capture
// into one repository at the same time, without locks.
//
// Every call heeds its context: one that has ended makes it fail, with the context's cause and
// ctx.Err in the chain of its error, and so does one that was done before. Whatever such a call had
// put into the repository by then harms nothing.
//
// Functions that options have are called by goroutines of the package as well as by the caller's, and
// the work waits for them. They may not call [Repository.Close]. If one panics, or a stream or a writer
// of the caller's does, the call ends with a [CallbackPanic].
//
// The zero value of options is meant to be used; that of all other types is not. What is given may be
// read by several goroutines at once. Lengths are in bytes; times are those of which clock each says.
//
// Whoever loses every passphrase and key file of a repository loses its data:
// there is no other way in.
//
// FORMAT.md beside this file specifies what is on disk.
package store
