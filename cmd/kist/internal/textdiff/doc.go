// Package textdiff shows how two texts differ, as a unified difference: what diff -u prints
// and patch takes (POSIX.1-2024, diff, "Diff -u or -U Output Format").
//
// Compare gives the same as lines and their numbers, for pages.
//
// It knows texts, their names and times, and nothing of captures and members. It is for the
// program's screen and for pages alike, so it prints nothing. Of this module it imports
// nothing.
package textdiff
