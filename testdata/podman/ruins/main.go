// Command ruins stands for a new version that spoils the data of the old one, and ends.
//
//	ruins run DIR
package main

import (
	"fmt"
	"os"
	"path/filepath"
)

func main() {
	for _, name := range []string{"index", "table", "added"} {
		if err := os.WriteFile(filepath.Join(os.Args[2], name), []byte("converted"), 0o600); err != nil {
			fmt.Fprintln(os.Stderr, err)
		}
	}
	fmt.Fprintln(os.Stderr, "ruins: can't read the catalogue")
	os.Exit(3)
}
