// Package pattern selects members of captures by patterns. A pattern is one of path.Match,
// and fits a member's path, or that of a folder above it; one without a slash fits its name,
// or that of a folder above it, wherever it lies.
//
// It knows how paths of members are compared (store.CleanPath), and nothing of what is
// done with those selected. Of this module it imports store and cmdline, for errors.
package pattern
