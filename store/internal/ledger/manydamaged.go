package ledger

import (
	"fmt"
	"strings"

	"github.com/kistarchive/kist/store/internal/names"
)

// ManyDamaged are the errors of index files, which may be very many, as where somebody
// put other files into their folder. Its text has the first of them.
type ManyDamaged []error

// JoinDamage gives the errors of index files as one, or nil where there are none.
func JoinDamage(damage []error) error {
	if len(damage) == 0 {
		return nil
	}
	return ManyDamaged(damage)
}

func (m ManyDamaged) Error() string {
	var b strings.Builder
	for i, err := range m[:min(len(m), names.Most)] {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(err.Error())
	}
	if n := len(m) - names.Most; n > 0 {
		fmt.Fprintf(&b, "\nand %s that can't be read", names.Count(n, "more index file", "more index files"))
	}
	return b.String()
}

func (m ManyDamaged) Unwrap() []error { return m }
