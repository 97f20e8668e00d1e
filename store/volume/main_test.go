package volume_test

import (
	"os"
	"testing"

	"github.com/kistarchive/kist/store/storage/storagetest"
)

func TestMain(m *testing.M) {
	storagetest.UseDisk()
	os.Exit(m.Run())
}
