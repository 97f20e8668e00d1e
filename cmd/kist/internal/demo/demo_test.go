package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// TestShowNotices: a demo whose restore brings nothing back says so, and one whose command
// fails ends there.
func TestShowNotices(t *testing.T) {
	for fails, want := range map[string]string{"": ErrDiffers.Error(), "verify": "kist verify ended with status 3"} {
		var ran []string
		err := Show(t.Context(), Options{
			Screen: screen.New(io.Discard, io.Discard), Dir: t.TempDir(),
			Run: func(_ context.Context, args []string, stdout io.Writer, env map[string]string) int {
				ran = append(ran, args[0])
				switch args[0] {
				case fails:
					return 3
				case "capture":
					fmt.Fprintln(stdout, "20260314t0203z-k7f3")
				case "restore":
					if err := os.MkdirAll(args[slices.Index(args, "--into")+1], 0o700); err != nil {
						t.Error(err)
					}
				}
				if env["KIST_REPOSITORY"] == "" || env["KIST_KEY_FILE"] == "" || env["KIST_STATE"] == "" {
					t.Errorf("%q would work elsewhere: %v", args, env)
				}
				return 0
			},
		})
		if err == nil || !strings.Contains(err.Error(), want) || errors.Is(err, ErrDiffers) != (fails == "") {
			t.Errorf("%q: %v after %q", fails, err, ran)
		}
	}
}
