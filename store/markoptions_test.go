package store_test

import (
	"context"
	"errors"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// TestMarkOptions: a mark is not written with what could not be read again.
func TestMarkOptions(t *testing.T) {
	g := newGrowing(t)
	c, _ := g.step("", stream([]byte("bean")))
	r := g.open("")
	for name, mark := range map[string]func(context.Context, []string, store.MarkOptions) error{
		"hold": r.Hold, "retire": r.Retire, "reinstate": r.Reinstate,
	} {
		for _, o := range []store.MarkOptions{{Reason: "caf\xe9"}, {Host: "caf\xe9"}} {
			if err := mark(t.Context(), []string{c.ID}, o); !errors.Is(err, store.ErrBadOptions) || !strings.Contains(err.Error(), `caf\xe9`) {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
	report, err := r.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || !report.OK {
		t.Errorf("%+v, %v", report, err)
	}
}
