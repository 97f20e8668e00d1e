package engine

import (
	"encoding/json"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
)

// TestHidden takes the values of variables out of the words, and nothing behind the image; what steers the engine's
// program stays.
func TestHidden(t *testing.T) {
	l := &Launch{
		Name: "seedbank", Image: "localhost/seedbank@sha256:11", Digest: "sha256:11",
		Mounts: []Mount{{Type: "volume", Name: "seeds", Destination: "/data", RW: true}},
		Config: json.RawMessage(`{"Env":["DB_PASSWORD=hush","LINES=a\nb","EMPTY=","PATH=/x","HTTPS_PROXY=http://p","XDG_DATA_HOME=/d","ENGINE_HOST=h","ODD.NAME=1","NAME*=1"],
			"Cmd":["--env","AFTER=1"],"Hostname":"hazel","User":"7","Labels":{"a":"b"},"Healthcheck":{"Test":["NONE"]}}`),
		HostConfig: json.RawMessage(`{"Privileged":true,"ReadonlyRootfs":true,"Init":true,"CapAdd":["x"],"RestartPolicy":{"Name":"always"},
			"PortBindings":{"80/tcp":[{"HostPort":"80"}]},"Tmpfs":{"/t":""},"Memory":5}`),
	}
	words := l.Remake("next", "seedbank:4.2.0", &Image{Digest: "sha256:22"}, "k=v")
	was := slices.Clone(words)
	shown, env := hidden(words)
	if !slices.Equal(words, was) {
		t.Error("the words themselves were changed")
	}
	if want := []string{"DB_PASSWORD=hush", "LINES=a\nb"}; !slices.Equal(env, want) {
		t.Errorf("%q, not %q", env, want)
	}
	text := strings.Join(shown, " ")
	for _, want := range []string{"--env DB_PASSWORD --env LINES --env EMPTY= --env HTTPS_PROXY=http://p --env XDG_DATA_HOME=/d --env ENGINE_HOST=h --env ODD.NAME=1 --env NAME*=1", "--env PATH=/x", "--env AFTER=1"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in %s", want, text)
		}
	}
	// The walk over the flags ends at the image: a flag without a value that is not known as such would end it early.
	with := slices.Insert(slices.Clone(words), slices.IndexFunc(words, func(w string) bool { return strings.HasSuffix(w, "@sha256:22") }), "--env", "LAST=1")
	if _, env := hidden(with); !slices.Contains(env, "LAST=1") {
		t.Errorf("%q: a variable right before the image is not found in %q", env, with)
	}
}

// TestCreateHides: the engine's program gets the value in its environment, and not as a word.
func TestCreateHides(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("the program is a script")
	}
	dir := t.TempDir()
	program := filepath.Join(dir, "engine")
	if err := os.WriteFile(program, []byte("#!/bin/sh\necho \"$@\" >"+dir+"/words\necho \"$DB_PASSWORD\" >"+dir+"/value\necho 0123\n"), 0o700); err != nil {
		t.Fatal(err)
	}
	if id, err := New(program).Create(t.Context(), []string{"create", "--env", "DB_PASSWORD=hush", "image"}); err != nil || id != "0123" {
		t.Fatalf("%q, %v", id, err)
	}
	words, _ := os.ReadFile(filepath.Join(dir, "words"))
	value, _ := os.ReadFile(filepath.Join(dir, "value"))
	if string(words) != "create --env DB_PASSWORD image\n" || string(value) != "hush\n" {
		t.Errorf("%q, %q", words, value)
	}
}

// TestSteers: what steers a program, its linker or the engine stays a word, since the engine's own program would be steered by
// it: ld.so(8) and dyld(1), POSIX's environment variables, the XDG Base Directory Specification, all from memory; else common
// practice, no source.
func TestSteers(t *testing.T) {
	for _, name := range []string{
		"PATH", "HOME", "USER", "LOGNAME", "SHELL", "IFS", "ENV", "BASH_ENV", "TMPDIR", "TZ", "TERM", "LANG", "LANGUAGE", "PWD", "NOTIFY_SOCKET", "HOSTNAME", "container",
		"LC_ALL", "LD_PRELOAD", "LD_LIBRARY_PATH", "LD_AUDIT", "DYLD_INSERT_LIBRARIES", "XDG_RUNTIME_DIR", "DBUS_SESSION_BUS_ADDRESS", "GODEBUG", "GOMEMLIMIT",
		"SSL_CERT_FILE", "SSH_AUTH_SOCK", "GPG_TTY", "LISTEN_FDS", "CONTAINERS_CONF", "CONTAINER_HOST", "REGISTRY_AUTH_FILE", "REGISTRIES_CONFIG_PATH", "STORAGE_DRIVER",
		"BUILDAH_ISOLATION", "PODMAN_USERNS", "CNI_PATH", "NETAVARK_FW", "_CONTAINERS_USERNS_CONFIGURED", "HTTP_PROXY", "https_proxy", "ENGINE_HOST", "ENGINE_CONTEXT",
		"ENGINE_CONFIG", "ENGINE_TLS", "ENGINE_TLS_VERIFY", "ENGINE_CERT_PATH", "ENGINE_API_VERSION", "ENGINE_DEFAULT_PLATFORM",
	} {
		if hides(name) {
			t.Errorf("%s would be given to the engine's program", name)
		}
	}
	for _, name := range []string{"DB_PASSWORD", "API_TOKEN", "PATHS", "OLD_PATH", "LANGUAGES", "WORLD_SEED", "XLD_PRELOAD", "HOSTS"} {
		if !hides(name) {
			t.Errorf("%s is left among the words", name)
		}
	}
}
