//go:build !unix

package files

func checkFolder(string) error { return nil }

// CheckPrivate asks nothing here.
func CheckPrivate(string) error { return nil }

// CheckShared asks nothing here.
func CheckShared(string) error { return nil }
