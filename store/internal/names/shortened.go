package names

import (
	"fmt"
	"strings"
)

// Shortened names the first 20 of names or paths in a text for people, and says how many more
// there are.
func Shortened(all []string) string {
	const most = 20
	if len(all) <= most {
		return strings.Join(all, ", ")
	}
	return fmt.Sprintf("%s, and %d more", strings.Join(all[:most], ", "), len(all)-most)
}
