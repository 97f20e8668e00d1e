package completion

import (
	_ "embed"
)

// The scripts run the program with the words
//
//	complete -- WORD…
//
// of which the last is the one to complete, and may be empty. It prints a line for each word that may
// stand there, with a tab and what it means behind it; a line that begins with the tab has files or
// folders behind it where paths may stand there, too.
var (
	//go:embed kist.bash
	bash string
	//go:embed kist.zsh
	zsh string
	//go:embed kist.fish
	fish string
)

// Script gives the script for a shell, "" for one that has none.
func Script(shell string) string {
	return map[string]string{"bash": bash, "zsh": zsh, "fish": fish}[shell]
}

// Shells are those that have a script.
func Shells() []string { return []string{"bash", "zsh", "fish"} }
