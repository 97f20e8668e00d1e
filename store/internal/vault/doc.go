// Package vault is the first room of the house: a repository as sealed objects by name,
// and nothing of what they mean.
//
// Its door is Vault. It knows the storage, the keys, the forms of headers and marks, and
// the copies of small objects on this machine. It does not know what a capture is, who
// is at work, or what a chunk is needed for; no other room is imported here.
package vault
