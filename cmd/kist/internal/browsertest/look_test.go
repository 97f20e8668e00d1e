package browsertest

import (
	"fmt"
	"os"
	"testing"
)

// TestLook takes pictures of the page KIST_LOOK_PAGE into the folder KIST_LOOK_INTO, for a person.
func TestLook(t *testing.T) {
	page, into := os.Getenv("KIST_LOOK_PAGE"), os.Getenv("KIST_LOOK_INTO")
	if page == "" {
		t.Skip("KIST_LOOK_PAGE names no page")
	}
	b := Start(t)
	for _, width := range []int64{390, 1440} {
		for _, dark := range []bool{false, true} {
			b.Screen(width, dark)
			b.Open(page)
			b.Picture(fmt.Sprintf("%s/%d-dark-%t.png", into, width, dark))
		}
	}
	t.Log(b.Messages())
}
