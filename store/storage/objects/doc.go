// Package objects keeps a repository's objects in a bucket of an object store that is reached by the S3 interface: [Open] gives a
// [Storage], which is a storage.Storage for package store.
//
// Who embeds package store over folders need not know of it: nothing there imports it, nor the client library behind it.
//
// What is different from a folder:
//   - Put and Mark are conditional writes ("If-None-Match: *"). An engine that ignores the condition lets the last of two writers of
//     one name win: [Storage.Probe] finds out by trying.
//   - Times are whole seconds, by the store's clock.
//   - All must see at once what was put and removed. A store of which some gateway, cache or site lags behind is found out as far as
//     the own writes show it, by [Storage.Probe] and by each call: see [Options].Late and [ErrLate].
//   - Folders are but parts of names: a folder's name may be given to an object.
//   - In a bucket that keeps versions, what is removed takes its room until the bucket's own rules remove it: Probe tells of such.
//
// No function here looks at the process's environment by itself, but for the client library's instance roles (see
// [FindCredentials]): what is to count of it is given.
package objects
