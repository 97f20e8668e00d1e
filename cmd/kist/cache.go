package main

import (
	"errors"
	"os"
	"path/filepath"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store/storage/cache"
)

// usableCache is cacheFolder, or "" with a warning where others can write it.
func (a *app) usableCache() string {
	path := a.cacheFolder()
	if path == "" {
		return ""
	}
	if err := cache.Check(path); errors.Is(err, cache.ErrShared) {
		a.Warn("%s. Nothing is kept in it: make it your own, with mode 0700, or set KIST_CACHE to another folder, or to off.", screen.Text(err.Error()))
		return ""
	}
	return path
}

// cacheFolder is where copies of small objects are kept; "" means nowhere.
func (a *app) cacheFolder() string {
	switch path := a.getenv("KIST_CACHE"); path {
	case "":
	case "off":
		return ""
	default:
		return path
	}
	// A service that systemd starts may be given one (systemd.exec(5), CacheDirectory=).
	if dir, _, _ := strings.Cut(a.getenv("CACHE_DIRECTORY"), ":"); filepath.IsAbs(dir) {
		return dir
	}
	if dir := a.getenv("XDG_CACHE_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "kist")
	}
	if a.getenv("HOME") == "" && a.getenv("LocalAppData") == "" {
		return ""
	}
	dir, err := os.UserCacheDir()
	if err != nil {
		return ""
	}
	return filepath.Join(dir, "kist")
}
