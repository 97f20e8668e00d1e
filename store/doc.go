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
// Whoever loses every passphrase and key file of a repository loses its data:
// there is no other way in.
//
// FORMAT.md beside this file specifies what is on disk.
package store
