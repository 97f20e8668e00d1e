package store

import (
	"fmt"
	"strings"

	"github.com/kistarchive/kist/store/internal/names"
)

// manyDamaged are the errors of index files, which may be very many, as where somebody
// put other files into their folder. Its text has the first of them.
type manyDamaged []error

func joinDamage(damage []error) error {
	if len(damage) == 0 {
		return nil
	}
	return manyDamaged(damage)
}

func (m manyDamaged) Error() string {
	var b strings.Builder
	for i, err := range m[:min(len(m), names.Most)] {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(err.Error())
	}
	if n := len(m) - names.Most; n > 0 {
		fmt.Fprintf(&b, "\nand %d more index files that can't be read", n)
	}
	return b.String()
}

func (m manyDamaged) Unwrap() []error { return m }
