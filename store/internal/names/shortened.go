package names

import (
	"fmt"
	"strings"
)

// Most is how many things of a kind are named in a note or an error.
const Most = 10

// Shortened names the first of names or paths in a text for people, and says how many more
// there are.
func Shortened(all []string, most int) string {
	if len(all) <= most {
		return strings.Join(all, ", ")
	}
	return fmt.Sprintf("%s, and %d more", strings.Join(all[:most], ", "), len(all)-most)
}
