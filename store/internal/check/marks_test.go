package check

import (
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
)

// TestOwnText: of settings that are lost, all that goes without them is named.
func TestOwnText(t *testing.T) {
	settings := names.Settings(0)
	for _, name := range []string{settings, names.Again(settings)} {
		for text, d := range map[string]vault.OwnDamage{
			"what is captured gets no parity and no deltas until they are set again": {Object: name},
			"other settings of this place count":                                     {Object: name, Stray: true},
			"its other copy is whole":                                                {Object: name, Whole: true},
		} {
			if got := ownText(d); !strings.Contains(got, text) {
				t.Errorf("%s: %q does not say %q", name, got, text)
			}
		}
	}
}
