// Package mounts says what is mounted where, and what a path was mounted from when it was seen last, without asking the
// file system in question: a share whose server is down lets whoever asks wait.
//
// It knows the kernel's table of mounts, the one of the machine's administrator (fstab), and notes of its own in a folder
// that it is given; nothing of repositories.
package mounts
