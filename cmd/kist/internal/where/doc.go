// Package where says where a repository is, and opens that place: a folder, of a local disk or a share, or a prefix in a bucket of an
// object store.
//
// It knows what texts mean which name a place, what a place lies on, and which variables of the environment are about object
// stores, but nothing of what is in a repository. It shows no credentials, and keeps none.
package where
