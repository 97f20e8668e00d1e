package engine

import (
	"context"
	"io"
	"regexp"
	"slices"
	"strings"
)

// withEnv runs each command with some variables.
type withEnv struct {
	EnvRunner
	env []string
}

func (r withEnv) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	return r.RunEnv(ctx, r.env, args, stdin, stdout, stderr)
}

// bare are the flags of a create command that have no value, of those that this package gives.
var bare = []string{"--privileged", "--read-only", "--init", "--no-healthcheck"}

// hidden takes the values of variables out of the words of a create command: --env NAME has the engine take NAME from its own
// environment (common practice, no source).
func hidden(words []string) (shown, env []string) {
	shown = slices.Clone(words)
	for i := 1; i < len(shown) && strings.HasPrefix(shown[i], "--") && shown[i] != "--"; i++ {
		if strings.Contains(shown[i], "=") || slices.Contains(bare, shown[i]) {
			continue
		}
		i++ // its value
		if i == len(shown) || shown[i-1] != "--env" {
			continue
		}
		if name, value, ok := strings.Cut(shown[i], "="); ok && value != "" && hides(name) {
			shown[i], env = name, append(env, name+"="+value)
		}
	}
	return shown, env
}

var (
	plainName = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)
	// steers are the names by which the engine's program itself, or what it starts, is told something: common practice, no
	// source.
	steers = regexp.MustCompile(`^(PATH|HOME|USER|LOGNAME|SHELL|IFS|ENV|BASH_ENV|TMPDIR|TZ|TERM|LANG|LANGUAGE|PWD|NOTIFY_SOCKET|HOSTNAME|container)$|` +
		`^(LC_|LD_|DYLD_|XDG_|DBUS_|GO|SSL_|SSH_|GPG|LISTEN_|CONTAINER|REGISTR|STORAGE_|BUILDAH_|PODMAN_|CNI_|NETAVARK|_)|(?i)_(proxy|host|context|config|tls|tls_verify|cert_path|api_version|default_platform)$`)
)

// hides tells whether a variable can be given by the environment of the engine's program: under a name that means nothing
// to it.
func hides(name string) bool {
	return plainName.MatchString(name) && !steers.MatchString(name)
}
