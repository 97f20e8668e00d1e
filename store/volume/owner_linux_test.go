package volume_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/kistarchive/kist/store/volume"
)

// TestOwnFiles has files of who restores them, whose modes a umask or the system may take bits of when
// they are made, in a folder that hands its group down.
func TestOwnFiles(t *testing.T) {
	old := syscall.Umask(0o027)
	defer syscall.Umask(old)
	above := t.TempDir()
	group := os.Getegid()
	if os.Geteuid() == 0 {
		must(t, os.Chown(above, 0, 1234))
		must(t, os.Chmod(above, 0o755|os.ModeSetgid))
	}
	var members []member
	modes := []int64{0o644, 0o600, 0o777, 0o400, 0, 0o666, 0o4755, 0o2755}
	for _, mode := range modes {
		m := file(fmt.Sprintf("f%04o", mode), "x")
		m.Uid, m.Gid, m.Mode = os.Geteuid(), group, mode
		members = append(members, m)
	}
	target := filepath.Join(above, "target")
	_, err := volume.Extract(context.Background(), bytes.NewReader(stream(t, members...)), target, volume.ExtractOptions{})
	must(t, err)
	for _, mode := range modes {
		var st syscall.Stat_t
		must(t, syscall.Lstat(filepath.Join(target, fmt.Sprintf("f%04o", mode)), &st))
		if int64(st.Mode&0o7777) != mode || int(st.Uid) != os.Geteuid() || int(st.Gid) != group {
			t.Errorf("mode %04o became %04o, owner %d:%d", mode, st.Mode&0o7777, st.Uid, st.Gid)
		}
	}
}
