//go:build !unix

package files

func checkFolder(string) error { return nil }
