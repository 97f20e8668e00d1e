// Package crypt holds the cryptography of a repository: its keys, the slots
// that guard them, the sealing of what is stored, and the identities of chunks.
//
// A repository has one random [RootKey]. HKDF-SHA-256 (RFC 5869), salted with
// the [RepositoryID], derives one key for each purpose from it; together they
// are the [Keys]. A [Slot] holds the root key sealed under a passphrase
// (Argon2id, RFC 9106) or a key file. Each stored object has a fresh random key
// of its own, wrapped under the derived wrapping key; a [Sealer] seals the
// object's pieces with ChaCha20-Poly1305 (RFC 8439) and binds each to its place.
//
// Types that hold key material ([RootKey], [Keys], [Sealer], [Opener], [Hasher],
// [Passphrase], [KeyFile]) print as "[secret]" with every verb of fmt but %T
// and %p, in JSON and other text encodings, and in log/slog.
package crypt
