package watch

import (
	"context"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// TestHangs: a command that hangs is ended, and what it was to tell is not well.
func TestHangs(t *testing.T) {
	if _, err := exec.LookPath("sh"); err != nil {
		t.Skip(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	v, err := Command(ctx, Options{Healthy: "exec sleep 1000", limit: 50 * time.Millisecond})
	if err != nil || v.Healthy || !strings.Contains(v.Why, "did not end within 50ms") {
		t.Errorf("%+v, %v", v, err)
	}
}
