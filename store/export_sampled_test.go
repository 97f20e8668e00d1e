package store

import (
	"context"
	"testing"

	"github.com/kistarchive/kist/store/internal/stock"
)

// IsSampled tells whether a capture would have samples of what there is.
func IsSampled(t testing.TB, r *Repository) bool {
	t.Helper()
	loaded, err := r.stock.Load(t.Context(), nil, nil, func(context.Context) (*stock.Relied, error) { return nil, nil })
	if err != nil {
		t.Fatal(err)
	}
	return loaded.Index.Sampled()
}
