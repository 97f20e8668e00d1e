package engine

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
)

// made gives a container as an engine tells of it.
func made(config, host, networks string, mounts ...Mount) *Container {
	return &Container{ID: "ab", Name: "seedbank", Mounts: mounts,
		config: json.RawMessage(config), hostConfig: json.RawMessage(host), networks: json.RawMessage(networks)}
}

// tied gives a container that belongs to a pod, and requires others.
func tied(pod string, requires ...string) *Container {
	c := made(`{}`, `{}`, ``)
	c.pod, c.dependencies = pod, requires
	return c
}

func TestLosses(t *testing.T) {
	data := Mount{Type: "volume", Name: "seeds", Destination: "/data", RW: true}
	readOnly := data
	readOnly.RW = false
	tight, tighter := data, data // as Podman 4.3.1 tells of --volume seeds:/data:noexec,nosuid,rslave
	tight.Options, tight.Propagation = []string{"noexec", "nosuid", "nodev", "rbind"}, "rslave"
	tighter.Options, tighter.Propagation = []string{"nosuid", "nodev", "rbind", "noexec"}, "rslave"
	for name, test := range map[string]struct {
		old, made *Container
		image     string
		want      []string // how each loss begins
	}{
		"nothing": {made(`{"Env":["A=b","IMAGE=1"],"Image":"seedbank:4.1.0"}`, `{"Memory":5,"Binds":["x"]}`, `{}`, data),
			made(`{"Env":["A=b","IMAGE=2"],"Image":"seedbank:4.2.0"}`, `{"Memory":5}`, `{}`, data), `{"Env":["IMAGE=1"]}`, nil},
		"limit":             {made(`{}`, `{"BlkioWeight":300}`, ``), made(`{}`, `{"BlkioWeight":0}`, ``), `{}`, []string{"BlkioWeight: 300, would be 0"}},
		"unknown setting":   {made(`{}`, `{"FromTheFuture":{"a":1}}`, ``), made(`{}`, `{}`, ``), `{}`, []string{`FromTheFuture: {"a":1}, would be nothing`}},
		"read-only":         {made(`{}`, `{}`, ``, readOnly), made(`{}`, `{}`, ``, data), `{}`, []string{"mount /data"}},
		"mount":             {made(`{}`, `{}`, ``, data), made(`{}`, `{}`, ``), `{}`, []string{"mount /data"}},
		"environment":       {made(`{"Env":["DB_PASSWORD=hush"]}`, `{}`, ``), made(`{}`, `{}`, ``), `{}`, []string{"environment variable DB_PASSWORD"}},
		"what engines give": {made(`{"Env":["HOME=/root","TERM=xterm","container=podman","HOSTNAME=0123456789ab"]}`, `{}`, ``), made(`{}`, `{}`, ``), `{}`, nil},
		"another home":      {made(`{"Env":["HOME=/srv"]}`, `{}`, ``), made(`{}`, `{}`, ``), `{}`, []string{"environment variable HOME"}},
		"label":             {made(`{"Labels":{"shelf":"north"}}`, `{}`, ``), made(`{}`, `{}`, ``), `{}`, []string{"label shelf"}},
		"label of the old":  {made(`{"Labels":{"kist.image":"x","v":"1"}}`, `{}`, ``), made(`{"Labels":{"v":"2"}}`, `{}`, ``), `{"Labels":{"v":"1"}}`, nil},
		"network":           {made(`{}`, `{}`, `{"back":{}}`), made(`{}`, `{}`, `{}`), `{}`, []string{"network back"}},
		"address":           {made(`{}`, `{}`, `{"back":{"IPAMConfig":{"IPv4Address":"10.0.0.7"}}}`), made(`{}`, `{}`, `{"back":{}}`), `{}`, []string{"address in network back"}},
		"mount options":     {made(`{}`, `{}`, ``, tight), made(`{}`, `{}`, ``, data), `{}`, []string{`options of mount /data: ["noexec" "rslave"], would be []`}},
		"same options":      {made(`{}`, `{}`, ``, tight), made(`{}`, `{}`, ``, tighter), `{}`, nil},
		"alias": {made(`{}`, `{}`, `{"back":{"Aliases":["catalogue","0123456789ab"]}}`), made(`{}`, `{}`, `{"back":{"Aliases":["ba9876543210"]}}`), `{}`,
			[]string{"name catalogue in network back"}},
		"address asked for": {made(`{"CreateCommand":["podman","run","--network=back:ip=10.0.0.7,mac=92:d0:00:00:00:01","seedbank"]}`, `{}`, `{"back":{"IPAMConfig":null}}`),
			made(`{"CreateCommand":["podman","create","--network","back","seedbank","--ip","10.0.0.7"],"Cmd":["--ip","10.0.0.7"]}`, `{}`, `{"back":{}}`), `{"Cmd":["x"]}`,
			[]string{"address in network back: 10.0.0.7, would be none", "hardware address in network back"}},
		"log": {made(`{}`, `{"LogConfig":{"Type":"k8s-file","Config":null,"Path":"/a","Size":"10MB"}}`, ``),
			made(`{}`, `{"LogConfig":{"Type":"k8s-file","Config":null,"Path":"/b","Size":"0B"}}`, ``), `{}`, []string{"LogConfig:"}},
		"annotation": {made(`{"Annotations":{"note":"kept","io.podman.annotations.init":"FALSE"}}`, `{"Annotations":{"shelf":"north"}}`, ``),
			made(`{"Annotations":{"note":"other"}}`, `{}`, ``), `{}`, []string{"annotation note", "annotation shelf"}},
		"own command":       {made(`{"Cmd":["--port","1"]}`, `{}`, ``), made(`{"Cmd":null}`, `{}`, ``), `{"Cmd":["--port","0"]}`, []string{"Cmd:"}},
		"the image's":       {made(`{"Cmd":["a"],"Entrypoint":"/svc","Healthcheck":{"Test":["CMD","x"]}}`, `{}`, ``), made(`{"Cmd":["b"]}`, `{}`, ``), `{"Cmd":["a"],"Entrypoint":["/svc"],"Healthcheck":{"Test":["CMD","x"]}}`, nil},
		"own health check":  {made(`{"Healthcheck":{"Test":["CMD","x"],"Retries":9}}`, `{}`, ``), made(`{}`, `{}`, ``), `{}`, []string{"Healthcheck:"}},
		"hostname by an id": {made(`{"Hostname":"0123456789ab"}`, `{}`, ``), made(`{"Hostname":"ba9876543210"}`, `{}`, ``), `{}`, nil},
		"hostname":          {made(`{"Hostname":"hazel"}`, `{}`, ``), made(`{"Hostname":"ba9876543210"}`, `{}`, ``), `{}`, []string{"Hostname:"}},
		"pod":               {tied("9f1c", "9f1c-infra"), tied(""), `{}`, []string{"its place in pod 9f1c", "that it requires container 9f1c-infra"}},
		"required":          {tied("", "d5", "d6"), tied("", "d6"), `{}`, []string{"that it requires container d5"}},
		"same ties":         {tied("9f1c", "d5"), tied("9f1c", "d5"), `{}`, nil},
	} {
		got := Losses(test.old, test.made, &Image{config: json.RawMessage(test.image)})
		if !slices.EqualFunc(got, test.want, strings.HasPrefix) {
			t.Errorf("%s: %q, not %q", name, got, test.want)
		}
		if strings.Contains(strings.Join(got, " "), "hush") {
			t.Errorf("%s: %q tells a secret", name, got)
		}
	}
}

// TestRemake: a container is made once more with what it has beside its image, and by its volumes' own names.
func TestRemake(t *testing.T) {
	unnamed := strings.Repeat("ab", 32)
	l := &Launch{
		Name: "seedbank", Image: "localhost/seedbank@sha256:11", Digest: "sha256:11",
		Mounts: []Mount{
			{Type: "volume", Name: unnamed, Destination: "/data", RW: true}, {Type: "bind", Source: "/etc/seedbank", Destination: "/config"},
		},
		Config: json.RawMessage(`{"Env":["A=b","TERM=xterm","HOME=/srv"],"Labels":{"kist.image":"localhost/seedbank:4.1.0","shelf":"north"},
			"Healthcheck":{"Test":["CMD-SHELL","ask me"],"Interval":5000000000,"Retries":2}}`),
		HostConfig: json.RawMessage(`{"RestartPolicy":{"Name":"always"},"PortBindings":{"8420/tcp":[{"HostIp":"","HostPort":"80"}]},"IpcMode":"host","PidMode":"private"}`),
	}
	want := "create --pull=never --name next --env A=b --env HOME=/srv --label shelf=north --volume " + unnamed + ":/data --volume /etc/seedbank:/config:ro " +
		"--publish 80:8420 --restart always --ipc host --health-cmd ask me --health-interval=5s --health-retries=2 " +
		"--label kist.image=localhost/seedbank:4.2.0 --label k=v localhost/seedbank@sha256:22"
	if got := strings.Join(l.Remake("next", "localhost/seedbank:4.2.0", &Image{Digest: "sha256:22"}, "k=v"), " "); got != want {
		t.Errorf("%s\nnot\n%s", got, want)
	}
	if words := l.Remake("next", "seedbank:4.2.0", &Image{ID: "0123"}, ""); words[len(words)-1] != "0123" {
		t.Errorf("%q: an image without a digest is not pinned by its id", words)
	}
}

// TestRemakeChosen: how mounts and networks were chosen comes over, from what Podman 4.3.1 tells of a container, seen on
// 2026-11-29.
func TestRemakeChosen(t *testing.T) {
	alone := &Launch{
		Name: "seedbank", Image: "localhost/seedbank:4.1.0",
		Mounts: []Mount{
			{Type: "volume", Name: "d", Destination: "/data", RW: true, Mode: "z", Options: []string{"noexec", "nosuid", "nodev", "rbind"}, Propagation: "rslave"},
			{Type: "bind", Source: "/etc/seedbank", Destination: "/config", Options: []string{"rbind"}, Propagation: "rprivate"},
		},
		Config: json.RawMessage(`{"CreateCommand":["podman","create","--name","seedbank","--network","n:alias=catalogue,ip=10.89.0.77,mac=92:d0:c6:0a:29:33","localhost/seedbank:4.1.0"],
			"Annotations":{"note":"kept","vendor":"somebody","io.podman.annotations.init":"FALSE","org.opencontainers.image.base.name":""}}`),
		HostConfig:       json.RawMessage(`{"NetworkMode":"bridge","LogConfig":{"Type":"k8s-file","Size":"10MB","Tag":"shelf"}}`),
		Networks:         json.RawMessage(`{"n":{"IPAMConfig":null,"MacAddress":"92:d0:c6:0a:29:33","Aliases":["catalogue","7a0ae20103c1"]}}`),
		ImageAnnotations: map[string]string{"vendor": "somebody"},
	}
	const mounts = "--annotation note=kept --volume d:/data:noexec,rslave,z --volume /etc/seedbank:/config:ro "
	want := mounts + "--network n --ip 10.89.0.77 --mac-address 92:d0:c6:0a:29:33 --network-alias catalogue"
	several := *alone
	several.Networks = json.RawMessage(`{"back":{"Aliases":["7a0ae20103c1"]},"n":{"Aliases":["catalogue","7a0ae20103c1"]}}`)
	wantSeveral := mounts + "--network back --network n:ip=10.89.0.77,mac=92:d0:c6:0a:29:33,alias=catalogue"
	for _, test := range []struct {
		l    *Launch
		want string
	}{{alone, want}, {&several, wantSeveral}} {
		for _, words := range [][]string{test.l.Remake("next", "localhost/seedbank:4.2.0", &Image{ID: "0123"}, ""), test.l.Command()} {
			if got := strings.Join(words, " "); !strings.Contains(got, test.want) {
				t.Errorf("%s\nhas not\n%s", got, test.want)
			}
		}
		if got := strings.Join(test.l.Remake("next", "x", &Image{}, ""), " "); !strings.Contains(got, "--log-driver k8s-file --log-opt max-size=10MB --log-opt tag=shelf") {
			t.Errorf("%s", got)
		}
	}
}
