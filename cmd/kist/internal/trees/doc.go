// Package trees compares folders with all that they hold, and adds up their sizes.
//
// It knows files as the system tells of them, and nothing of repositories: so it can say
// whether what was restored is what there was, by other means than those that restored
// it. Of this module it imports nothing.
package trees
