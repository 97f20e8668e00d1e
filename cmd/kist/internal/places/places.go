package places

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

// Getenv gives a variable of the environment, "" where it is not set.
type Getenv = func(string) string

// Cache is where copies of small objects are kept; "" means nowhere.
func Cache(getenv Getenv) string {
	switch path := getenv("KIST_CACHE"); path {
	case "":
	case "off":
		return ""
	default:
		return path
	}
	// A service that systemd starts may be given one (systemd.exec(5), CacheDirectory=).
	if dir, _, _ := strings.Cut(getenv("CACHE_DIRECTORY"), ":"); filepath.IsAbs(dir) {
		return dir
	}
	if dir := getenv("XDG_CACHE_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "kist")
	}
	if getenv("HOME") == "" && getenv("LocalAppData") == "" {
		return ""
	}
	dir, err := os.UserCacheDir()
	if err != nil {
		return ""
	}
	return filepath.Join(dir, "kist")
}

// State is where it is kept what this machine knows of repositories; "" means
// nowhere, and why says the reason.
func State(getenv Getenv) (path, why string) {
	switch path := getenv("KIST_STATE"); path {
	case "":
	case "off":
		return "", "KIST_STATE=off"
	default:
		return path, ""
	}
	// A service that systemd starts may be given one (systemd.exec(5), StateDirectory=).
	if dir, _, _ := strings.Cut(getenv("STATE_DIRECTORY"), ":"); filepath.IsAbs(dir) {
		return dir, ""
	}
	if !filepath.IsAbs(getenv("XDG_STATE_HOME")) {
		// Common practice on these systems; no source.
		if dir := getenv("LocalAppData"); runtime.GOOS == "windows" && filepath.IsAbs(dir) {
			return filepath.Join(dir, "kist", "state"), ""
		}
		if dir := getenv("HOME"); runtime.GOOS == "darwin" && filepath.IsAbs(dir) {
			return filepath.Join(dir, "Library", "Application Support", "kist"), ""
		}
	}
	path, err := Notes(getenv)
	if err != nil {
		return "", "there is no home folder, and KIST_STATE is not set"
	}
	return path, ""
}

// Configs are where configurations may lie, the one that counts most last: one for the machine, and
// one for the user (XDG Base Directory Specification).
func Configs(getenv Getenv) (paths []string) {
	const name = "kist.toml"
	if dir := getenv("ProgramData"); runtime.GOOS == "windows" && filepath.IsAbs(dir) {
		paths = append(paths, filepath.Join(dir, "kist", name)) // common practice there; no source
	} else if runtime.GOOS != "windows" {
		paths = append(paths, filepath.Join("/etc/kist", name))
	}
	switch dir, home := getenv("XDG_CONFIG_HOME"), getenv("HOME"); {
	case filepath.IsAbs(dir):
		paths = append(paths, filepath.Join(dir, "kist", name))
	case runtime.GOOS == "windows" && filepath.IsAbs(getenv("AppData")):
		paths = append(paths, filepath.Join(getenv("AppData"), "kist", name))
	case filepath.IsAbs(home):
		paths = append(paths, filepath.Join(home, ".config", "kist", name))
	}
	return paths
}

// Scratch is a folder for much that is needed for a while: the one that the user chose for
// temporary files, or else one on a disk rather than in memory (the Filesystem Hierarchy
// Standard's /var/tmp).
func Scratch(getenv Getenv) string {
	if dir := getenv("TMPDIR"); filepath.IsAbs(dir) {
		return dir
	}
	if info, err := os.Stat("/var/tmp"); err == nil && info.IsDir() {
		return "/var/tmp"
	}
	return os.TempDir()
}

// Notes is where the program's state is kept, and notes about stopped containers in any
// case: other settings may differ from one run to the next, and the next run must find
// them (XDG Base Directory Specification; for root, the Filesystem Hierarchy Standard's
// /var/lib).
func Notes(getenv Getenv) (string, error) {
	if dir := getenv("XDG_STATE_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "kist"), nil
	}
	if os.Geteuid() == 0 {
		return "/var/lib/kist", nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("no folder for notes about stopped containers: %w", err)
	}
	return filepath.Join(home, ".local", "state", "kist"), nil
}
